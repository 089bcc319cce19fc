"""Scans printed labels with a decoder that is not ours.

usage: label_decode.py FOLDER EXPECTED
needs: pip install zxing-cpp pillow

EXPECTED has one line a label: the PNG's name in FOLDER, a space, what its Data Matrix
must say. Each label is read as printed, blurred, turned by 7 degrees, and with a tenth
of its contrast lost. Exit code 1 if any reading fails.
"""

import pathlib
import sys

import zxingcpp
from PIL import Image, ImageFilter

CONDITIONS = {
    "as printed": lambda image: image,
    "blurred": lambda image: image.filter(ImageFilter.GaussianBlur(2)),
    "turned 7 degrees": lambda image: image.rotate(
        7, resample=Image.Resampling.BILINEAR, expand=True, fillcolor=255
    ),
    "a tenth of contrast lost": lambda image: image.point(
        lambda grey: round(127.5 + (grey - 127.5) * 0.9)
    ),
}


def main(folder: pathlib.Path, expected: pathlib.Path) -> int:
    readings = failures = 0
    for line in expected.read_text().splitlines():
        name, text = line.split(" ", 1)
        printed = Image.open(folder / name)
        if printed.mode != "1":
            print(f"{name}: is {printed.mode}, not 1-bit")
            failures += 1
        for condition, change in CONDITIONS.items():
            found = zxingcpp.read_barcodes(change(printed.convert("L")))
            # ]d1 is Data Matrix ECC 200 without FNC1: our own code, not a GS1 one.
            read = [(code.symbology_identifier, code.text) for code in found]
            readings += 1
            if read != [("]d1", text)]:
                print(f"{name}, {condition}: expected ]d1 {text!r}, read {read}")
                failures += 1
    print(f"{readings} readings, {failures} failures")
    return 1 if failures or not readings else 0


if __name__ == "__main__":
    if len(sys.argv) != 3:
        sys.exit(__doc__)
    sys.exit(main(pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])))
