"""The documented JSON, photos, and the door of the hands."""

from __future__ import annotations

import contextlib
import json
import os
import re
import socket
import struct
import zlib
from io import BytesIO
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import ExifTags, Image, PngImagePlugin

from agent.app.photos import LARGEST, SIDE, NoPhoto, drawn_anew, media_type
from agent.model.hands import CALIBRATE, CLEAR, EMPTY, FIT, JAM, RESET, SET, Handwork
from agent.rehearsal.hands import CannotDo, Door, Hands, doors, through
from agent.store import Store
from tests.cli.shapes import keys_in
from tests.rehearsal.running import rehearsal, tool
from tests.servicing.library import BIG, COLOUR, DESK, library
from tests.telephone import exif

DOCS = Path(__file__).parents[2] / "docs" / "json-service.md"


def png(width: int = 2, height: int = 2) -> bytes:
    """A picture by the standard's own layout (W3C PNG, section 5)."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    rows = b"".join(b"\0" + b"\x20\x40\x60" * width for _ in range(height))
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")


def dots(content: bytes) -> tuple[tuple[int, int], bytes]:
    """Size and dots of a picture, read by Pillow."""
    with Image.open(BytesIO(content)) as opened:
        return opened.size, opened.convert("RGB").tobytes()


def test_every_key_of_the_json_is_documented_and_photos_are_kept_by_their_content(tmp_path, monkeypatch):
    picture = tmp_path / "..%2f evil;name.exe"
    picture.write_bytes(png())
    with library(tmp_path, monkeypatch) as here:
        here.lowmark("hands", COLOUR, "--set", "toner:cyan=4%")
        here.lowmark("sweep")
        assert here.data("hands", COLOUR, "--fit", "toner:cyan")["format"] == "lowmark.hands.v1"
        here.lowmark("sweep")
        asked = here.data("suggestions")
        made = here.data("service", COLOUR, "--did", "toner:cyan,calibration", "--photo", str(picture))
        proofs = here.data("proofs")
        gone = here.data("service", "--withdraw", str(made["service"]["id"]))
        (entry,) = here.ledger("service")
        assert "evil" not in json.dumps(made) + entry.text + json.dumps(dict(entry.data))
        with Store.open(here.url) as store:
            content, kind = store.photo(made["service"]["photo"])
            assert (kind, dots(content)) == ("image/png", dots(png()))
            assert store.photo("../etc/passwd") is None
        picture.write_bytes(b"MZ" + png())
        said = here.lowmark("service", COLOUR, "--did", "calibration", "--photo", str(picture), status=2)
        assert "no JPEG, PNG or WebP image, whatever its name says" in said
        assert len(here.ledger("service")) == 1
    text = DOCS.read_text("utf-8")
    documented = set(re.findall(r"`([a-z_]+)`", text))
    shapes = {"service": made, "withdrawn": gone, "proofs": proofs, "suggestions": asked}
    assert keys_in(shapes) - {"withdrawn"} - documented == set()
    for name, shape in (("service", made), ("proofs", proofs), ("suggestions", asked), ("service", gone)):
        assert shape["format"] == f"lowmark.{name}.v1"
    kinds = {check["kind"] for proof in proofs["proofs"] for check in proof["checks"]}
    assert kinds <= documented | set(re.findall(r"`([a-z-]+)`", text))


# --- photos ----------------------------------------------------------------------------------------------------------


def test_real_images_are_told_by_their_bytes(tmp_path):
    """Written by Pillow, a library that knows these formats."""
    image = pytest.importorskip("PIL.Image")
    for name, kind in (("JPEG", "image/jpeg"), ("PNG", "image/png"), ("WEBP", "image/webp")):
        for options in (
            ({}, {"lossless": True}) if name == "WEBP" else ({}, {"quality": 20}) if name == "JPEG" else ({},)
        ):
            path = tmp_path / f"photo.{name.lower()}"
            image.new("RGB", (37, 23), (20, 90, 140)).save(path, name, **options)
            assert media_type(path.read_bytes()) == kind
    path = tmp_path / "wide.png"
    image.new("RGB", (40_000, 1)).save(path)
    with pytest.raises(NoPhoto, match="40000 x 1 pixels"):
        media_type(path.read_bytes())


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"GIF89a" + bytes(60),
        b"<svg xmlns='http://www.w3.org/2000/svg'><script>alert(1)</script></svg>",
        b"\xff\xd8\xff\xe0" + b"\xff" * 200 + b"\xff\xd9",
        png()[:-12],
        b"#!/bin/sh\nexit\n",
    ],
)
def test_what_is_no_photo_is_refused(content):
    with pytest.raises(NoPhoto):
        media_type(content)


def test_a_photo_that_is_too_large_is_refused():
    with pytest.raises(NoPhoto, match="at most 8 MiB"):
        media_type(png() + bytes(LARGEST))


@given(st.binary(max_size=80), st.sampled_from([b"", b"\xff\xd8", b"\x89PNG\r\n\x1a\n", b"RIFF1234WEBPVP8 "]))
def test_no_bytes_break_the_look_at_a_photo(rest, start):
    with contextlib.suppress(NoPhoto):
        assert media_type(start + rest).startswith("image/")


def taken(form: str, size: tuple[int, int] = (60, 40), orientation: int = 6, **more) -> bytes:
    """A photo as a telephone takes it: held upright (Exif 2.32, tag 0x0112), with place, time and maker beside it.

    Its left half is red and its right half blue.
    """
    image = Image.new("RGB", size, (0, 0, 250))
    image.paste((250, 0, 0), (0, 0, size[0] // 2, size[1]))
    made = BytesIO()
    image.save(made, form, exif=exif(orientation), **more)
    return made.getvalue()


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
def test_of_a_photo_only_the_picture_is_kept_turned_as_it_was_held(form):
    sent = taken(form, **({"comment": b"Harrow Lane 12"} if form == "JPEG" else {}))
    with Image.open(BytesIO(sent)) as opened:
        assert opened.getexif().get_ifd(ExifTags.IFD.GPSInfo)[ExifTags.GPS.GPSLatitudeRef] == "N", (
            "it is there at first"
        )
    kept, kind = drawn_anew(sent)
    assert kind == f"image/{form.lower()}"
    for word in (b"Exif", b"eXIf", b"EXIF", b"Tallgrass", b"2026:03:02", b"Harrow"):
        assert word not in kept
    with Image.open(BytesIO(kept)) as opened:
        assert dict(opened.getexif()) == {}
        assert opened.size == (40, 60)  # orientation 6: the top of the picture is its left side
        assert opened.convert("RGB").getpixel((20, 5))[0] > 200, "what was at the left is at the top"
        assert opened.convert("RGB").getpixel((20, 55))[2] > 200


def test_words_and_profiles_beside_a_picture_are_left_out():
    image, told, made = Image.new("P", (4, 4)), PngImagePlugin.PngInfo(), BytesIO()
    told.add_text("Comment", "Harrow Lane 12")
    image.save(made, "PNG", pnginfo=told, icc_profile=b"a profile of Merle & Voss", transparency=0)
    kept, _ = drawn_anew(made.getvalue())
    assert b"Harrow" not in kept
    assert b"iCCP" not in kept
    with Image.open(BytesIO(kept)) as opened:
        assert opened.mode == "RGBA"


def test_a_large_photo_is_made_smaller_and_one_that_would_fill_the_memory_is_refused():
    kept, _ = drawn_anew(taken("JPEG", (6_000, 3_000), 1, quality=30))
    with Image.open(BytesIO(kept)) as opened:
        assert opened.size == (SIDE, SIDE // 2)
    bomb = BytesIO()
    Image.new("1", (20_000, 20_000)).save(bomb, "PNG")
    assert len(bomb.getvalue()) < 100_000
    with pytest.raises(NoPhoto, match="20000 x 20000 pixels, more than can be kept"):
        drawn_anew(bomb.getvalue())


@given(st.integers(0, 400), st.binary(min_size=1, max_size=40))
def test_a_photo_that_is_broken_anywhere_is_refused_or_drawn(place, rubbish):
    for whole in (taken("JPEG"), taken("PNG"), taken("WEBP")):
        at = min(place, len(whole) - 1)
        with contextlib.suppress(NoPhoto):
            kept, kind = drawn_anew(whole[:at] + rubbish + whole[at + len(rubbish) :])
            assert media_type(kept) == kind


# --- hands -----------------------------------------------------------------------------------------------------------


def level(going, name: str, key: str) -> int:
    """What the printer answers to Debian's own SNMP tool (prtMarkerSuppliesLevel, RFC 3805)."""
    worn = going.fleet.by_name[name]
    row = list(worn.lives).index(key) + 1
    where = f"{worn.who.host}:{worn.who.port}"
    said = tool("snmpget", "-v2c", "-c", "public", where, f"1.3.6.1.2.1.43.11.1.1.9.1.{row}").stdout
    return int(said.rsplit(" ", 1)[1])


def test_snmp_answers_change_with_what_the_hands_do(tmp_path, monkeypatch):
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    with rehearsal(3) as going, Door(Hands(going)) as door:
        assert list(doors()) == [door.path]

        def do(name: str, work: Handwork) -> str:
            return through(door.path, name, work)

        assert do(DESK, Handwork(SET, "toner:black", 0.05)) == "hl-01: black toner is at 5 % now"
        assert level(going, DESK, "toner:black") == 130
        do(DESK, Handwork(FIT, "toner:black"))
        assert level(going, DESK, "toner:black") == 2_600
        do(DESK, Handwork(FIT, "toner:black", 0.4))
        assert level(going, DESK, "toner:black") == 1_040
        do(BIG, Handwork(SET, "other", 0.1))
        assert "its counter not reset" in do(BIG, Handwork(FIT, "kit", reset=False))
        assert level(going, BIG, "other") == 30_000
        do(BIG, Handwork(RESET, "kit"))
        assert level(going, BIG, "other") == 300_000
        do(BIG, Handwork(SET, "wasteToner", 0.0))
        assert level(going, BIG, "wasteToner") == 0
        do(BIG, Handwork(EMPTY, "waste"))
        assert level(going, BIG, "wasteToner") == 100
        worn = going.fleet.by_name[DESK]
        do(DESK, Handwork(JAM))
        assert worn.blocked
        do(worn.who.serial, Handwork(CLEAR))
        assert not worn.blocked
        do(f"{worn.who.host}:{worn.who.port}", Handwork(CALIBRATE))
        assert "calibrating" in worn.board.rows
    assert list(doors()) == []


@pytest.mark.parametrize(
    ("printer", "work", "said"),
    [
        ("hl-99", Handwork(FIT, "toner:black"), "no printer 'hl-99'"),
        (DESK, Handwork(FIT, "toner:plaid"), "no one supply"),
        (DESK, Handwork(FIT, ""), "no one supply"),
        (COLOUR, Handwork(FIT, "drum"), "several supplies fit"),
        (DESK, Handwork(FIT, "toner:black", 1.5), "not between"),
        (DESK, Handwork(RESET, "toner:black"), "no counter to be reset"),
        (DESK, Handwork(EMPTY, "toner:black"), "no receptacle"),
        (DESK, Handwork("paint"), "hands cannot"),
    ],
)
def test_what_hands_cannot_do_is_said(three, printer, work, said):
    going, door = three
    before = {name: (worn.version, dict(worn.board.rows)) for name, worn in going.fleet.by_name.items()}
    with pytest.raises(CannotDo, match=re.escape(said)):
        through(door, printer, work)
    assert before == {name: (worn.version, dict(worn.board.rows)) for name, worn in going.fleet.by_name.items()}


@pytest.fixture(scope="module")
def three(tmp_path_factory):
    folder = tmp_path_factory.mktemp("door")
    folder.chmod(0o700)
    with rehearsal(3, speed=0.001) as going, Door(Hands(going), folder) as door:
        yield going, door.path


@pytest.mark.parametrize(
    "line",
    [b"\n", b"{}\n", b"[]\n", b"x" * 9_000 + b"\n", b'{"printer": 1, "verb": "fit"}\n', b"\xff\xfe\n",
     b'{"printer": "hl-01", "verb": "fit", "subject": "toner:black", "share": "much"}\n',
     b'{"printer": "hl-01", "verb": "fit", "subject": "toner:black", "share": NaN}\n'],
)  # fmt: skip
def test_the_door_bears_any_request(three, line):
    _, door = three
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(5)
        asking.connect(str(door))
        asking.sendall(line)
        assert "error" in json.loads(asking.makefile("rb").readline())


def test_a_folder_that_others_may_enter_is_no_place_for_a_door(three, tmp_path):
    going, _ = three
    tmp_path.chmod(0o755)
    with pytest.raises(CannotDo, match="yours alone"), Door(Hands(going), tmp_path):
        pass


def test_without_a_rehearsal_the_command_says_what_to_start(tmp_path):
    from tests.whole.agent import lowmark

    environ = {**os.environ, "XDG_RUNTIME_DIR": str(tmp_path)}
    said = lowmark("hands", "hl-01", "--fit", "toner:black", **environ)
    assert said.returncode == 1
    assert "no rehearsal is running here" in said.stderr
