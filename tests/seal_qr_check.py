"""Reads a seal's printed QR symbol with a decoder that is not ours.

    python3 tests/seal_qr_check.py SEAL PICTURE.svg

Needs the Python packages zxing-cpp and pillow. The text in the symbol must be the seal."""

import re
import sys
from pathlib import Path

import zxingcpp
from PIL import Image

seal, picture = Path(sys.argv[1]).read_text(), Path(sys.argv[2]).read_text()
side = int(re.search(r'data-side="(\d+)"', picture)[1])
dots, module = 6, Image.new("L", (6, 6), 0)
image = Image.new("L", (side * dots, side * dots), 255)
for x, y in re.findall(r"M(\d+) (\d+)h1v1h-1z", picture):
    image.paste(module, (int(x) * dots, int(y) * dots))
found = zxingcpp.read_barcodes(image)
assert [f.text for f in found] == [seal], found
assert "QR" in str(found[0].format), found[0].format
print(f"a {side - 8}-module QR symbol holds the seal, {len(seal)} bytes, to the byte")
