"""Checks an archive of records with nothing of ours: python3 verify_chain.py FOLDER [PUBLIC-KEY]

Needs only Python; signatures are checked if the package "cryptography" is installed."""
import hashlib, sys
from pathlib import Path

folder, sha = Path(sys.argv[1]), lambda *parts: hashlib.sha256(b"".join(parts)).digest()
key = (sys.argv[2] if len(sys.argv) > 2 else (folder / "public-key.txt").read_text()).strip()
head, heads, wrong = sha(b"wheelward chain 1\n", (folder / "site.txt").read_text().strip().encode()), {}, []
with open(folder / "ledger.txt", "rb") as ledger:
    number = 0
    for file in sorted((folder / "facts").glob("*.ndjson")):
        for line in open(file, "rb"):
            number, leaf = number + 1, sha(b"\x00", line.rstrip(b"\n"))
            head = sha(b"\x01", head, leaf)
            heads[number] = head.hex()
            entry = ledger.readline().decode().split()
            if entry[:1] != [str(number)] or entry[3] != leaf.hex():
                wrong.append(f"number {number}: {' '.join(entry[1:3])} is not what lies in {file.name}")
    wrong += [f"number {line.split()[0].decode()}: missing" for line in ledger]
before = bytes(32).hex()
for file in sorted((folder / "seals").glob("*.seal"), key=lambda f: (f.name.split("-")[3], f.name)):
    text = file.read_bytes()
    says = dict(line.split(" ", 1) for line in text.decode().splitlines()[1:])
    if says["head"] != heads.get(int(says["last"])) and says["last"] != "0":
        wrong.append(f"{file.name}: numbers {says['first']} to {says['last']} are not as they were sealed")
    if says["previous"] != before or says["key"] != key:
        wrong.append(f"{file.name}: does not follow the seal before it, or is signed by another key")
    before = hashlib.sha256(text).hexdigest()
    try:
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
        signed = text[: text.index(b"signature ")]
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(key)).verify(bytes.fromhex(says["signature"]), signed)
    except ImportError:
        print("signatures NOT checked: install the package cryptography", file=sys.stderr)
    except Exception:
        wrong.append(f"{file.name}: its signature does not fit")
print(*wrong[:20], f"{number} records, {len(wrong)} findings", sep="\n")
sys.exit(bool(wrong))
