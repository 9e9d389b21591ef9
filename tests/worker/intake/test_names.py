"""What the name of an entry in a watched folder tells."""

from __future__ import annotations

import os

from nearfar.intake.names import Sort, sorter, stack_name


def test_a_name_for_people_keeps_what_can_be_read() -> None:
    assert stack_name(["a", "b\tc"]) == "a-b c"
    assert stack_name([os.fsdecode(b"caf\xe9")]) == "caf\N{REPLACEMENT CHARACTER}"
    assert stack_name(["\n"]) == "unnamed"
    # Unicode Standard Annex 9, 2: shown as 'moss-fit.exe' where the second part is turned round
    assert stack_name(["moss", "\u202eexe.tif\u202c\u2067x\u2069\u200f"]) == "moss-exe.tifx"
    assert stack_name(["\u05d0\u05d1"]) == "\u05d0\u05d1", "letters of scripts that run the other way stay"


def test_every_temporary_name_is_known() -> None:
    sort = sorter()
    for name in (
        *("a.tif.part", "a.tif.filepart", "a.tif.crdownload", "a.tmp", "~syncthing~a.tif.tmp"),
        *(".unison.a.tif.1234.unison.tmp", ".a.tif.Xy12Zw", ".syncthing.a.tif.tmp"),
    ):
        assert sort(name)[0] is Sort.TEMPORARY, name
    assert sort("._a.tif.Xy12Zw")[0] is Sort.IGNORED
    assert sort("A.TIF")[0] is Sort.FRAME
