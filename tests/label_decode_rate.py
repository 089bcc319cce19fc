"""Measures how many damaged labels a decoder that is not ours still reads.

usage: label_decode_rate.py FOLDER [LEAST_PERCENT]
needs: pip install zxing-cpp pillow numpy pystrich

FOLDER is what the example `print_samples FOLDER N` of the crate labels wrote. Each label is
damaged in five ways that a floor knows, and the decoder must read its symbol, identifier
and content. Beside it stands the same content drawn by a plain Python barcode library
(pystrich) and scaled to the same place of a label, as a quick script would do it. Exit code
1 if one of ours is read less often than LEAST_PERCENT (99.5 if left out).
"""

import io
import json
import pathlib
import sys
from importlib.metadata import version

import numpy
import zxingcpp
from PIL import Image, ImageFilter
from pystrich.datamatrix import DataMatrixEncoder

DOTS_PER_MM = 8
# Where the symbol stands on the wheel's label: left, top, side, in millimetres.
PLACE_MM = (71, 11.5, 26.5)


def blurred(image: Image.Image, rng: numpy.random.Generator) -> Image.Image:
    """Up to two fifths of a module: an oblique look, a cheap lens."""
    return image.filter(ImageFilter.GaussianBlur(rng.uniform(0.05, 0.3) * DOTS_PER_MM))


def turned(image: Image.Image, rng: numpy.random.Generator) -> Image.Image:
    return image.rotate(
        rng.uniform(0, 360), resample=Image.Resampling.BILINEAR, expand=True, fillcolor=255
    )


def faded(image: Image.Image, rng: numpy.random.Generator) -> Image.Image:
    """A tenth to a half of the contrast is left, anywhere between dark and light."""
    left = rng.uniform(0.1, 0.5)
    darkest = rng.uniform(0, 255 * (1 - left))
    return image.point(lambda grey: round(darkest + grey * left))


def specked(image: Image.Image, rng: numpy.random.Generator) -> Image.Image:
    """Three dots in a hundred are the other colour, and a dead dot of the print head leaves
    a white line."""
    dots = numpy.asarray(image) > 127
    dots = dots ^ (rng.random(dots.shape) < 0.03)
    dots[:, rng.integers(dots.shape[1])] = True
    return Image.fromarray(dots).convert("L")


def all_at_once(image: Image.Image, rng: numpy.random.Generator) -> Image.Image:
    dots = numpy.asarray(image) > 127
    dots = dots ^ (rng.random(dots.shape) < 0.01)
    image = Image.fromarray(dots).convert("L")
    image = image.filter(ImageFilter.GaussianBlur(0.12 * DOTS_PER_MM))
    return faded(turned(image, rng), rng)


DAMAGES = {
    "blurred": blurred,
    "turned": turned,
    "faded": faded,
    "1-bit loss": specked,
    "all at once": all_at_once,
}


def plain(label: Image.Image, text: str) -> Image.Image:
    """The same label with the content as a plain library draws it, scaled into its place."""
    symbol = Image.open(io.BytesIO(DataMatrixEncoder(text).get_imagedata())).convert("L")
    left, top, side = (round(mm * DOTS_PER_MM) for mm in PLACE_MM)
    label = label.copy()
    # A label printer makes black and white of what a scaled picture has of grey.
    symbol = symbol.resize((side, side)).point(lambda grey: 255 if grey > 127 else 0)
    label.paste(symbol, (left, top))
    return label


def reads(image: Image.Image, text: str, identifier: str | None) -> bool:
    found = zxingcpp.read_barcodes(image)
    return any(
        code.bytes.decode() == text
        and (identifier is None or code.symbology_identifier == identifier)
        for code in found
    )


def main(folder: pathlib.Path, least: float) -> int:
    labels = [
        json.loads(line) for line in (folder / "expected.ndjson").read_text().splitlines()
    ]
    failed = False
    print(f"{len(labels)} labels of each, zxing-cpp {version('zxing-cpp')}")
    for damage, change in DAMAGES.items():
        ours = theirs = 0
        # The same damage to both.
        for seed, label in enumerate(labels):
            identifier, text = label["symbols"][0]
            image = Image.open(folder / label["file"]).convert("L")
            ours += reads(change(image, numpy.random.default_rng(seed)), text, identifier)
            image = plain(image, text)
            theirs += reads(change(image, numpy.random.default_rng(seed)), text, None)
        rate = 100 * ours / len(labels)
        failed |= rate < least
        print(f"{damage:>12}: {rate:6.2f} % read; plain library {100 * theirs / len(labels):6.2f} %")
    return 1 if failed or not labels else 0


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    sys.exit(main(pathlib.Path(sys.argv[1]), float(sys.argv[2]) if len(sys.argv) == 3 else 99.5))
