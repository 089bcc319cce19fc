"""Asks Python's zoneinfo whether it agrees on when dairy days start.

usage: day_starts | zoneinfo_check.py

Reads what the example `day_starts` of the crate quantity prints: the version of its
time-zone database, then zone, local start of the dairy day, date and instant in UTC, a
day a line. A local time that the clocks skip becomes the first instant after the gap; one
that they repeat becomes the first of the two. Exit code 1 on any difference.
"""

import pathlib
import sys
import zoneinfo
from collections import Counter
from datetime import UTC, datetime, timedelta


def version() -> str:
    """The version of the database that zoneinfo reads."""
    for folder in map(pathlib.Path, zoneinfo.TZPATH):
        if (folder / "tzdata.zi").exists():
            return (folder / "tzdata.zi").open().readline().split()[-1]
    try:
        import tzdata
    except ImportError:
        return "unknown"
    return tzdata.IANA_VERSION


def start(zone: zoneinfo.ZoneInfo, local: datetime) -> tuple[datetime, str]:
    """The instant of a local time, and what the clocks do to that time."""
    first = local.replace(tzinfo=zone, fold=0)
    second = local.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first.astimezone(UTC), "plain"
    if first.utcoffset() > second.utcoffset():
        return first.astimezone(UTC), "repeated"
    # Skipped. Read with the offset from after the gap it lies before the gap, and the
    # other way round: the clocks change between the two (PEP 495).
    before, after = second.astimezone(UTC), first.astimezone(UTC)
    while after - before > timedelta(seconds=1):
        middle = before + timedelta(seconds=(after - before).total_seconds() // 2)
        if middle.astimezone(zone).utcoffset() == second.utcoffset():
            after = middle
        else:
            before = middle
    return after, "skipped"


def main() -> int:
    ours_is = sys.stdin.readline().removeprefix("tzdata").strip()
    print(f"Time-zone database: ours is {ours_is}, zoneinfo's is {version()}")
    seen: Counter[str] = Counter()
    differences = 0
    for line in sys.stdin:
        name, time, date, ours = line.split()
        at, kind = start(zoneinfo.ZoneInfo(name), datetime.fromisoformat(f"{date}T{time}"))
        seen[kind] += 1
        if at == datetime.fromisoformat(ours):
            continue
        differences += 1
        if differences <= 20:
            print(f"{name} {date} {time} ({kind}): ours {ours}, zoneinfo's {at:%FT%TZ}")
    kinds = ", ".join(f"{days} {kind}" for kind, days in sorted(seen.items()))
    print(f"{seen.total()} starts of dairy days ({kinds}), {differences} differences")
    if len(seen) < 3:
        print("Nothing is shown unless skipped and repeated times come up: give it every line")
        return 1
    return 1 if differences else 0


if __name__ == "__main__":
    if len(sys.argv) != 1:
        sys.exit(__doc__)
    sys.exit(main())
