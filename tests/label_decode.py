"""Scans printed labels with decoders that are not ours.

usage: label_decode.py FOLDER [STATION]
needs: pip install zxing-cpp pillow pypdfium2 pylibdmtx pyzbar; Debian's libdmtx0b, libzbar0

FOLDER/expected.ndjson has one line a label: its PNG's name, what each of its symbols must
say with the symbology identifier in front, and the wheel it is of. Each label is read as
printed, blurred, turned by 7 degrees, with a tenth of its contrast lost, and darkened. As
printed, every symbol is read by a second decoder as well, which is shown where it stands:
libdmtx reads Data Matrix, zbar the others. The PDF is drawn by another library at 600 dots
an inch, read too, and must have the label's words as text.
STATION, the example `scanned` of the crate station, is handed what the decoder read, as a
scanner would send it, and must find the wheel. Exit code 1 if any reading fails.
"""

import json
import pathlib
import subprocess
import sys

import pypdfium2
import zxingcpp
from PIL import Image, ImageFilter, ImageOps
from pylibdmtx import pylibdmtx
from pyzbar import pyzbar

# Standard deviation of the blur, in millimetres: two fifths of the finest bar.
BLUR_MM = 0.15

# What the second decoder sees around a symbol.
MARGIN_MM = 2


def blurred(image: Image.Image) -> Image.Image:
    dots_per_mm = image.info["dpi"][0] / 25.4
    return image.filter(ImageFilter.GaussianBlur(BLUR_MM * dots_per_mm))


CONDITIONS = {
    "as printed": lambda image: image,
    "blurred": blurred,
    "turned 7 degrees": lambda image: image.rotate(
        7, resample=Image.Resampling.BILINEAR, expand=True, fillcolor=255
    ),
    "a tenth of contrast lost": lambda image: image.point(
        lambda grey: round(127.5 + (grey - 127.5) * 0.9)
    ),
    "darkened": lambda image: image.point(lambda grey: round(grey * 0.45)),
}


def read(image: Image.Image) -> list[list[str]]:
    """Symbology identifier and content of every symbol in sight."""
    found = zxingcpp.read_barcodes(image)
    # The bytes: a reader's own text would write FNC1 in a way of its own.
    return [[code.symbology_identifier, code.bytes.decode()] for code in found]


def check_second(image: Image.Image, dots_per_mm: float) -> list[str]:
    """What a second decoder reads otherwise, symbol by symbol."""
    wrong = []
    for code in zxingcpp.read_barcodes(image):
        where = code.position
        corners = (where.top_left, where.top_right, where.bottom_right, where.bottom_left)
        margin = round(MARGIN_MM * dots_per_mm)
        symbol = image.crop(
            (
                max(0, min(corner.x for corner in corners) - margin),
                max(0, min(corner.y for corner in corners) - margin),
                min(image.width, max(corner.x for corner in corners) + margin),
                min(image.height, max(corner.y for corner in corners) + margin),
            )
        )
        symbol = ImageOps.expand(symbol, margin, 255)
        if code.format == zxingcpp.BarcodeFormat.DataMatrix:
            found = pylibdmtx.decode(symbol, timeout=10_000, max_count=1)
        else:
            found = pyzbar.decode(symbol)
        if [one.data for one in found] != [code.bytes]:
            wrong.append(f"expected {code.bytes}, a second decoder read {found}")
    return wrong


def check_pdf(file: pathlib.Path, label: dict) -> str | None:
    """What is wrong with a label's PDF; nothing if it is right."""
    page = pypdfium2.PdfDocument(file)[0]
    text = page.get_textpage().get_text_range()
    squeezed = "".join(text.split())
    for words in label["words"]:
        if "".join(words.split()) not in squeezed:
            return f"does not say {words!r}, but {text!r}"
    got = sorted(read(page.render(scale=600 / 72).to_pil().convert("L")))
    if got != sorted(label["symbols"]):
        return f"expected {sorted(label['symbols'])}, read {got}"
    return None


def finds(station: str, scans: list[str]) -> list[str]:
    """What a station makes of each scanned line, one line each."""
    lines = "".join(f"{scan}\n" for scan in scans)
    run = subprocess.run(
        [station], input=lines.encode(), capture_output=True, check=True
    )
    return run.stdout.decode().splitlines()


def main(folder: pathlib.Path, station: str | None) -> int:
    readings = failures = 0
    scans: list[tuple[str, str, str]] = []
    for line in (folder / "expected.ndjson").read_text().splitlines():
        label = json.loads(line)
        printed = Image.open(folder / label["file"])
        if printed.mode != "1":
            print(f"{label['file']}: is {printed.mode}, not 1-bit")
            failures += 1
        expected = sorted(label["symbols"])
        readings += len(expected)
        for wrong in check_second(printed.convert("L"), printed.info["dpi"][0] / 25.4):
            print(f"{label['file']}: {wrong}")
            failures += 1
        for condition, change in CONDITIONS.items():
            got = sorted(read(change(printed.convert("L"))))
            readings += 1
            if got != expected:
                print(f"{label['file']}, {condition}: expected {expected}, read {got}")
                failures += 1
            if label["wheel"] is not None:
                # A reader sends the identifier only where it is set up to.
                for identifier, text in got:
                    scans.append((label["file"], label["wheel"], identifier + text))
                    scans.append((label["file"], label["wheel"], text))
        if label["pdf"] is not None:
            readings += 1
            wrong = check_pdf(folder / label["pdf"], label)
            if wrong is not None:
                print(f"{label['pdf']}: {wrong}")
                failures += 1
    if station is not None:
        answers = finds(station, [scan for _, _, scan in scans])
        if len(answers) != len(scans):
            print(f"{len(scans)} scans, {len(answers)} answers")
            failures += 1
        for (file, wheel, scan), answer in zip(scans, answers):
            if answer != f"wheel {wheel}":
                print(f"{file}: a station makes {answer!r} of {scan!r}")
                failures += 1
        print(f"{len(scans)} scans at a station")
    print(f"{readings} readings, {failures} failures")
    return 1 if failures or not readings else 0


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    sys.exit(main(pathlib.Path(sys.argv[1]), sys.argv[2] if len(sys.argv) == 3 else None))
