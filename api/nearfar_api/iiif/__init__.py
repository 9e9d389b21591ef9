"""Pictures to look at closely: the IIIF Image API 3.0, level 2, straight from the tiles of a delivered file.

A request is read (`views`), the file opened (`pictures`, `shelf`), the few tiles of the fitting level decoded and turned
into sRGB (`tiles`, `nearfar.frames.srgb`), put together, scaled, turned and coded (`making`), and sent (`routes`).
`info` tells what there is, `finding` which file a name means.
"""
