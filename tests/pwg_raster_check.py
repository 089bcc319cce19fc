"""Reads PWG Raster files with the reader of CUPS, and compares them dot by dot with PNG.

usage: pwg_raster_check.py FOLDER
needs: Debian's libcups2 (comes with cups-ipp-utils); pip install pillow

FOLDER holds NAME.png and NAME.TYPE.pwg, one TYPE each of PWG 5102.4 that we write. Exit
code 1 if a file cannot be read, its page header says another size, or a dot differs.
"""

import ctypes
import ctypes.util
import os
import pathlib
import sys

from PIL import Image, ImageChops


class Header(ctypes.Structure):
    """cups_page_header2_t of <cups/raster.h>."""

    _fields_ = [
        ("MediaClass", ctypes.c_char * 64),
        ("MediaColor", ctypes.c_char * 64),
        ("MediaType", ctypes.c_char * 64),
        ("OutputType", ctypes.c_char * 64),
        *[
            (name, ctypes.c_uint)
            for name in ("AdvanceDistance", "AdvanceMedia", "Collate", "CutMedia", "Duplex")
        ],
        ("HWResolution", ctypes.c_uint * 2),
        ("ImagingBoundingBox", ctypes.c_uint * 4),
        *[(name, ctypes.c_uint) for name in ("InsertSheet", "Jog", "LeadingEdge")],
        ("Margins", ctypes.c_uint * 2),
        *[
            (name, ctypes.c_uint)
            for name in (
                "ManualFeed", "MediaPosition", "MediaWeight", "MirrorPrint", "NegativePrint",
                "NumCopies", "Orientation", "OutputFaceUp",
            )
        ],
        ("PageSize", ctypes.c_uint * 2),
        *[(name, ctypes.c_uint) for name in ("Separations", "TraySwitch", "Tumble")],
        *[
            (f"cups{name}", ctypes.c_uint)
            for name in (
                "Width", "Height", "MediaType", "BitsPerColor", "BitsPerPixel",
                "BytesPerLine", "ColorOrder", "ColorSpace", "Compression", "RowCount",
                "RowFeed", "RowStep", "NumColors",
            )
        ],
        ("cupsBorderlessScalingFactor", ctypes.c_float),
        ("cupsPageSize", ctypes.c_float * 2),
        ("cupsImagingBBox", ctypes.c_float * 4),
        ("cupsInteger", ctypes.c_uint * 16),
        ("cupsReal", ctypes.c_float * 16),
        ("cupsString", (ctypes.c_char * 64) * 16),
        ("cupsMarkerType", ctypes.c_char * 64),
        ("cupsRenderingIntent", ctypes.c_char * 64),
        ("cupsPageSizeName", ctypes.c_char * 64),
    ]


def cups() -> ctypes.CDLL:
    """The library, whose raster functions lived in libcupsimage before."""
    for name in ("cups", "cupsimage"):
        path = ctypes.util.find_library(name)
        library = ctypes.CDLL(path) if path else None
        if library is not None and hasattr(library, "cupsRasterOpen"):
            library.cupsRasterOpen.restype = ctypes.c_void_p
            library.cupsRasterReadHeader2.argtypes = [ctypes.c_void_p, ctypes.POINTER(Header)]
            library.cupsRasterReadPixels.argtypes = [
                ctypes.c_void_p, ctypes.c_char_p, ctypes.c_uint,
            ]
            library.cupsRasterClose.argtypes = [ctypes.c_void_p]
            return library
    sys.exit("install libcups2 to read PWG Raster")


def check(library: ctypes.CDLL, raster: pathlib.Path) -> str | None:
    """What is wrong with a file; nothing if it is right."""
    name, kind, _ = raster.name.rsplit(".", 2)
    picture = Image.open(raster.with_name(f"{name}.png")).convert("L")
    descriptor = os.open(raster, os.O_RDONLY)
    try:
        stream = library.cupsRasterOpen(descriptor, 0)
        if not stream:
            return "is no raster to CUPS"
        header = Header()
        if not library.cupsRasterReadHeader2(stream, ctypes.byref(header)):
            return "has no page header that CUPS can read"
        dots = int(name.rsplit("-", 1)[1])
        bits = int(kind.rsplit("_", 1)[1])
        told = (
            header.MediaClass, header.cupsWidth, header.cupsHeight, *header.HWResolution,
            header.cupsBitsPerPixel, header.NumCopies,
        )
        right = (b"PwgRaster", *picture.size, dots, dots, bits, 1)
        if told != right:
            return f"says {told}, and should say {right}"
        # 3 is black, 18 is grey (cups_cspace_e).
        if header.cupsColorSpace != (18 if kind.startswith("sgray") else 3):
            return f"has colour space {header.cupsColorSpace}"
        points = [round(side * 72 / dots) for side in picture.size]
        if list(header.PageSize) != points:
            return f"is a page of {list(header.PageSize)} points, not {points}"
        row = ctypes.create_string_buffer(header.cupsBytesPerLine)
        rows = []
        for y in range(picture.height):
            read = library.cupsRasterReadPixels(stream, row, header.cupsBytesPerLine)
            if read != header.cupsBytesPerLine:
                return f"ends in row {y}"
            rows.append(row.raw)
        got = Image.frombytes("1" if bits == 1 else "L", picture.size, b"".join(rows)).convert("L")
        if kind.startswith("black"):
            got = ImageChops.invert(got)
        differs = ImageChops.difference(got, picture).getbbox()
        if differs is not None:
            return f"differs in {differs}"
        if library.cupsRasterReadHeader2(stream, ctypes.byref(header)):
            return "has a second page"
        library.cupsRasterClose(stream)
    finally:
        os.close(descriptor)
    return None


def main(folder: pathlib.Path) -> int:
    library = cups()
    checked = failures = 0
    for raster in sorted(folder.glob("*.pwg")):
        wrong = check(library, raster)
        checked += 1
        if wrong is not None:
            print(f"{raster.name} {wrong}")
            failures += 1
    print(f"{checked} PWG Raster files, {failures} failures")
    return 1 if failures or not checked else 0


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit(__doc__)
    sys.exit(main(pathlib.Path(sys.argv[1])))
