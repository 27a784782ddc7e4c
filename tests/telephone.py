"""What a telephone writes into its photos beside the picture."""

from __future__ import annotations

from PIL import ExifTags, Image


def exif(orientation: int = 6) -> Image.Exif:
    """How it was held (Exif 2.32, tag 0x0112; 6 is upright), its maker, the time, the place (GPS)."""
    made = Image.Exif()
    made[ExifTags.Base.Orientation] = orientation
    made[ExifTags.Base.Make] = "Tallgrass Pocket"
    made[ExifTags.Base.DateTime] = "2026:03:02 08:15:00"
    place = made.get_ifd(ExifTags.IFD.GPSInfo)
    place[ExifTags.GPS.GPSLatitudeRef], place[ExifTags.GPS.GPSLatitude] = "N", (51.0, 30.0, 12.0)
    place[ExifTags.GPS.GPSLongitudeRef], place[ExifTags.GPS.GPSLongitude] = "W", (0.0, 7.0, 39.0)
    return made
