"""The XMP packet: well-formed whatever the names are, read by exiftool, and its key found again."""

from __future__ import annotations

import json
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from nearfar.frames.deliverable import PictureTags, encode_tile, write_picture
from nearfar.frames.xmp import NAMESPACE, read_key, xmp_packet
from tests.worker.frames.makers import jpeg_bytes, picture

NAMES = ["a & b <1>.tif", "quote \" and '.tif", "ægir ünder 海.tif", "control\x07\x00.tif", "lone \udcff.tif"]
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"


def body(packet: bytes) -> ElementTree.Element:
    """The element tree between the packet's marks (ISO 16684-1, section 7)."""
    text = packet.decode("utf-8")
    assert text.startswith('<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>')
    assert text.endswith('<?xpacket end="w"?>')
    return ElementTree.fromstring(text)


def result_with(path: Path, packet: bytes) -> Path:
    tile = encode_tile(np.zeros((512, 512, 1), np.uint16))
    write_picture(path, width=9, height=9, channels=1, levels=[[tile]], tags=PictureTags(xmp=packet))
    return path


def test_any_name_gives_well_formed_xml() -> None:
    root = body(xmp_packet(NAMES, "fine & slow", "k<1>", "Test ]]> 1"))
    paths = [e.text for e in root.iter("{http://ns.adobe.com/xap/1.0/sType/ResourceRef#}filePath")]
    assert paths[0] == paths[1] == "a & b <1>.tif"
    assert paths[3] == "ægir ünder 海.tif"
    assert paths[4:] == ["control\ufffd\ufffd.tif", "lone \ufffd.tif"]
    assert root.findtext(f".//{{{NAMESPACE}}}Recipe") == "fine & slow"
    (description,) = root.iter(f"{RDF}Description")
    assert description.get(f"{RDF}about") == ""


def test_exiftool_reads_what_it_was_made_from(tmp_path: Path) -> None:
    if shutil.which("exiftool") is None:
        pytest.skip("exiftool is not installed")
    packet = xmp_packet(
        ["1.tif", "2.tif"],
        "standard",
        "key-7",
        "Test 1",
        reference="2.tif",
        when=datetime(2031, 6, 1, 12, 0, 0, tzinfo=UTC),
    )
    path = result_with(tmp_path / "a.tif", packet)
    done = subprocess.run(["exiftool", "-json", "-G1", path], check=True, capture_output=True, text=True)
    found = json.loads(done.stdout)[0]
    assert found["XMP-xmpMM:DerivedFromFilePath"] == "2.tif"
    assert found["XMP-xmpMM:IngredientsFilePath"] == ["1.tif", "2.tif"]
    assert found["XMP-xmpMM:HistoryAction"] == "created"
    assert found["XMP-xmpMM:HistorySoftwareAgent"] == "Test 1"
    assert found["XMP-xmpMM:HistoryWhen"] == "2031:06:01 12:00:00+00:00"
    assert "Computational capture" in str(found["XMP-iptcExt:DigitalSourceType"]) or str(
        found["XMP-iptcExt:DigitalSourceType"]
    ).endswith("/computationalCapture")
    assert found["XMP-nearfar:Key"] == "key-7"


@pytest.mark.parametrize("key", ["0f3a9c", "a & b", "k<1>"])
def test_the_key_is_read_back(tmp_path: Path, key: str) -> None:
    assert read_key(result_with(tmp_path / "a.tif", xmp_packet(["1.tif"], "standard", key, "Test 1"))) == key


def test_other_files_have_no_key(tmp_path: Path) -> None:
    (tmp_path / "frame.jpg").write_bytes(jpeg_bytes(picture()))
    (tmp_path / "empty.tif").touch()
    (tmp_path / "text.tif").write_text("<nearfar:Key>nothing</nearfar:Key>")
    whole = result_with(tmp_path / "a.tif", xmp_packet(["1.tif"], "standard", "k", "Test 1")).read_bytes()
    (tmp_path / "cut.tif").write_bytes(whole[:-300])
    for name in ("frame.jpg", "empty.tif", "text.tif", "cut.tif", "gone.tif", "."):
        assert read_key(tmp_path / name) is None
