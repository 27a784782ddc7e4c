"""Photos that were kept as they were given become the picture alone when the store is brought up to date."""

from __future__ import annotations

import contextlib
import struct
from datetime import timedelta
from hashlib import sha256
from io import BytesIO

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ExifTags, Image, ImageOps, PngImagePlugin
from sqlalchemy import text

from agent.app.photos import drawn_anew
from agent.store import Store, engine, schema
from agent.store.pictures import stripped
from tests.store.samples import MONDAY
from tests.telephone import exif

HIDDEN = b"hidden behind the end"
TOLD = (b"Tallgrass", b"2026:03:02", b"Harrow", b"GPS", HIDDEN)
FORMS = {"JPEG": "image/jpeg", "PNG": "image/png", "WEBP": "image/webp"}


def taken(form: str, orientation: int = 6, mode: str = "RGB", **more: object) -> bytes:
    """A photo as a telephone takes it (Pillow writes it): how it was held, place, time, maker, words, a profile."""
    image = Image.linear_gradient("L").resize((60, 40)).convert(mode)
    words = PngImagePlugin.PngInfo()
    words.add_text("Comment", "Harrow Lane 12")
    beside = {"JPEG": {"comment": b"Harrow Lane 12"}, "PNG": {"pnginfo": words}, "WEBP": {"xmp": b"<x>Harrow</x>"}}
    made = BytesIO()
    image.save(made, form, exif=exif(orientation), icc_profile=b"a profile by Tallgrass", **beside[form], **more)
    return made.getvalue() + (HIDDEN if form != "WEBP" else b"")


def dots(content: bytes) -> tuple[tuple[int, int], bytes]:
    """Size and dots as they are to be seen, by Pillow."""
    with Image.open(BytesIO(content)) as opened:
        shown = ImageOps.exif_transpose(opened)
        return shown.size, shown.tobytes()


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize(
    ("form", "more"),
    [
        ("JPEG", {}), ("JPEG", {"progressive": True}), ("JPEG", {"mode": "CMYK"}), ("JPEG", {"mode": "L"}),
        ("JPEG", {"restart_marker_blocks": 1}), ("PNG", {}), ("PNG", {"mode": "RGBA"}), ("PNG", {"mode": "P"}),
        ("WEBP", {}), ("WEBP", {"lossless": True}), ("WEBP", {"mode": "RGBA"}),
    ],
)  # fmt: skip
def test_every_dot_and_how_it_is_turned_stay_and_nothing_else(
    form: str, more: dict[str, object], orientation: int
) -> None:
    sent = taken(form, orientation, **more)  # type: ignore[arg-type]
    assert b"Tallgrass" in sent
    made = stripped(sent, FORMS[form])
    assert dots(made) == dots(sent)
    assert [word for word in TOLD if word in made] == []
    with Image.open(BytesIO(made)) as opened:
        assert set(opened.getexif()) <= {ExifTags.Base.Orientation}
        assert "icc_profile" not in opened.info
    assert stripped(made, FORMS[form]) == made, "once is enough"


@pytest.mark.parametrize("form", FORMS)
def test_a_photo_that_was_drawn_anew_stays_as_it_is(form: str) -> None:
    kept, kind = drawn_anew(taken(form).removesuffix(HIDDEN))
    assert stripped(kept, kind) == kept


def test_the_preview_in_a_jfif_header_goes_too() -> None:
    # JFIF 1.02: X and Y thumbnail, then so many dots of three octets each.
    plain = stripped(taken("JPEG"), "image/jpeg")
    header = struct.pack(">BBH5sHBHHBB", 0xFF, 0xE0, 16 + 12, b"JFIF\0", 0x0102, 0, 1, 1, 2, 2) + b"preview dots"
    at = 4 + struct.unpack_from(">H", plain, 4)[0]
    made = stripped(plain[:2] + header + plain[at:], "image/jpeg")
    assert b"preview" not in made
    assert dots(made) == dots(plain)


@given(st.binary(max_size=120), st.sampled_from(sorted(FORMS)), st.data())
def test_no_octets_break_it(rest: bytes, form: str, data: st.DataObject) -> None:
    whole = _SAMPLES[form]
    cut = data.draw(st.integers(0, len(whole)))
    with contextlib.suppress(ValueError):
        stripped(whole[:cut] + rest, FORMS[form])


_SAMPLES = {form: taken(form) for form in FORMS}


def test_photos_that_were_kept_as_they_were_given_are_the_picture_alone_after_the_upgrade(url: str) -> None:
    given_once = {form: taken(form) for form in FORMS}
    broken = _SAMPLES["JPEG"][:-60] + b"\xff\xd9"
    place = engine.find(url)
    old = engine.connect(place, create=True, patience=timedelta(seconds=5))
    schema.bring_up_to_date(old, place, create=True, target="0005")
    rows = [(sha256(one).hexdigest(), FORMS[form], one) for form, one in given_once.items()]
    rows.append(("broken", "image/png", broken))
    with old.begin() as connection:
        for name, kind, content in rows:
            connection.execute(
                text("INSERT INTO photo (name, at, media_type, content) VALUES (:name, 0, :kind, :content)"),
                {"name": name, "kind": kind, "content": content},
            )
    old.dispose()
    with Store.open(url, clock=lambda: MONDAY) as store:
        for name, kind, content in rows[:-1]:
            found = store.photo(name)
            assert found is not None, "the ledger's name for it still leads to it"
            assert found[1] == kind
            assert dots(found[0]) == dots(content)
            assert not any(word in found[0] for word in TOLD)
        assert store.photo("broken") is None, "what cannot be taken apart is not shown"
        new, kind = drawn_anew(given_once["JPEG"].removesuffix(HIDDEN))
        assert store.photo(store.keep_photo(new, kind, MONDAY)) == (new, kind)
    if place.is_sqlite:
        with Store.open(url):
            pass
        file = place.url.database
        assert file is not None
        with open(file, "rb") as opened:  # noqa: PTH123 - the whole file, free pages too
            octets = opened.read()
        assert octets.count(b"Tallgrass Pocket") == 1, "that of the broken one alone; nothing is left in free pages"
