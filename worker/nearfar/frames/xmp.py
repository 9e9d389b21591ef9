"""The XMP packet (ISO 16684-1) of a result: what it was made from, with which recipe, and the key of its job.

The key makes a result recognisable: one that already has the wanted key is not made again, and a result that lands in a
watched folder is not taken for a frame.
"""

from __future__ import annotations

import html
import re
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from nearfar.errors import FrameRefused
from nearfar.frames import tiff_tags
from nearfar.frames.ifd import read_directory, read_form
from nearfar.frames.source import opened

NAMESPACE = "urn:x-nearfar:xmp/1.0/"
SOURCE_TYPE = "http://cv.iptc.org/newscodes/digitalsourcetype/computationalCapture"
"""How the IPTC calls a picture that is made of many frames."""
_KEY = re.compile(rb"<nearfar:Key>([^<]{1,512})</nearfar:Key>")
_NOT_IN_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_PACKET = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
 <rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about=""
    xmlns:xmp="http://ns.adobe.com/xap/1.0/"
    xmlns:xmpMM="http://ns.adobe.com/xap/1.0/mm/"
    xmlns:stRef="http://ns.adobe.com/xap/1.0/sType/ResourceRef#"
    xmlns:stEvt="http://ns.adobe.com/xap/1.0/sType/ResourceEvent#"
    xmlns:Iptc4xmpExt="http://iptc.org/std/Iptc4xmpExt/2008-02-29/"
    xmlns:nearfar="{namespace}">
   <xmp:CreatorTool>{software}</xmp:CreatorTool>
   <xmpMM:DerivedFrom rdf:parseType="Resource">
    <stRef:filePath>{reference}</stRef:filePath>
   </xmpMM:DerivedFrom>
   <xmpMM:Ingredients>
    <rdf:Bag>
{ingredients}
    </rdf:Bag>
   </xmpMM:Ingredients>
   <xmpMM:History>
    <rdf:Seq>
     <rdf:li rdf:parseType="Resource">
      <stEvt:action>created</stEvt:action>
      <stEvt:softwareAgent>{software}</stEvt:softwareAgent>
      <stEvt:parameters>{parameters}</stEvt:parameters>{when}
     </rdf:li>
    </rdf:Seq>
   </xmpMM:History>
   <Iptc4xmpExt:DigitalSourceType>{source}</Iptc4xmpExt:DigitalSourceType>
   <nearfar:Recipe>{recipe}</nearfar:Recipe>
   <nearfar:Key>{key}</nearfar:Key>
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
<?xpacket end="w"?>"""
_INGREDIENT = """     <rdf:li rdf:parseType="Resource">
      <stRef:filePath>{name}</stRef:filePath>
     </rdf:li>"""


def xmp_packet(
    derived_from: Sequence[str],
    recipe: str,
    key: str,
    software: str,
    *,
    reference: str | None = None,
    when: datetime | None = None,
) -> bytes:
    """The packet as UTF-8.

    Parameters
    ----------
    derived_from
        Names of the frames that are in the picture.
    recipe
        Name of the recipe.
    key
        Key of the job's result.
    software
        Name and version of what made it.
    reference
        Name of the frame whose geometry the picture has; the first one if None.
    when
        Moment of making.
    """
    main = reference if reference is not None else (derived_from[0] if derived_from else "")
    moment = f"\n      <stEvt:when>{when.isoformat(timespec='seconds')}</stEvt:when>" if when else ""
    return _PACKET.format(
        namespace=NAMESPACE,
        source=SOURCE_TYPE,
        software=_safe(software),
        reference=_safe(main),
        ingredients="\n".join(_INGREDIENT.format(name=_safe(name)) for name in derived_from),
        parameters=_safe(f"merged from {len(derived_from)} frames with recipe {recipe}"),
        when=moment,
        recipe=_safe(recipe),
        key=_safe(key),
    ).encode("utf-8")


def _safe(text: str) -> str:
    """Escaped for XML; characters that XML cannot hold become U+FFFD."""
    return html.escape(_NOT_IN_XML.sub("\ufffd", text), quote=False)


def read_key(path: Path | str) -> str | None:
    """The job key in a result's XMP packet; None for any other file. Reads a few kilobytes, whatever the size."""
    try:
        with opened(path) as file:
            form = read_form(file.peek)
            tag = read_directory(file.peek, form, form.first)[0].get(tiff_tags.XMP) if form else None
    except FrameRefused:
        return None
    found = _KEY.search(tag.raw) if tag else None
    return html.unescape(found[1].decode("utf-8", "replace")) if found else None
