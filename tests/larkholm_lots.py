"""Writes tests/data/larkholm-lots.ndjson: lots, readings, laboratory, orders and deliveries
for the make days of tests/data/larkholm-70-days.ndjson. Everything in it is invented.

    python3 tests/larkholm_lots.py
"""

import json
from datetime import datetime, timedelta, timezone
from pathlib import Path

DATA = Path(__file__).parent / "data"
FLOOR = DATA / "larkholm-70-days.ndjson"
LOTS = DATA / "larkholm-lots.ndjson"

facts = []


def when(text):
    return datetime.fromisoformat(text.replace("Z", "+00:00"))


def fact(at, station, ty, data, badge="07"):
    facts.append((at, station, ty, data, badge))


def at(day, clock):
    return when(f"{day}T{clock}:00Z")


def main():
    floor = [json.loads(line) for line in FLOOR.read_text().splitlines()]
    starts = [e for e in floor if e["type"] == "floor.vat.started.v1"]
    culture = rennet = salt = None
    days = sorted({e["time"][:10] for e in starts})
    for n, day in enumerate(days):
        code = day[2:].replace("-", "")
        batch = next(e["data"] for e in starts if e["time"].startswith(day))
        litres = batch["milk_l"]
        parts = {f"M{code}a": round(litres * 0.6, 1)}
        parts[f"M{code}b"] = round(litres - parts[f"M{code}a"], 1)
        for k, (lot, volume) in enumerate(parts.items()):
            farm = ["Upper Lark Farm", "Fold End Farm"][k]
            fact(at(day, f"04:4{k}"), "intake-1", "milk.received", {
                "lot": lot, "supplier": farm, "volume_l": volume + 5.0,
                "temperature_c": 3.9, "fat_pct": 3.9, "protein_pct": 3.4,
                "supplier_lot": f"{'UL' if k == 0 else 'FE'}-{code}",
                "document": {"kind": "delivery note", "number": f"{1000 + 2 * n + k}"},
            })
            fact(at(day, f"04:5{k}"), "intake-1", "milk.screened",
                 {"lot": lot, "test": "antibiotics", "passed": True})
            if n != 9:  # one day's milk stays raw by the records
                low = 71.8 if n == 20 else 72.6
                fact(at(day, f"05:1{k}"), "intake-1", "milk.pasteurised",
                     {"lot": lot, "temperature_c": low, "held_s": 16.0})
                fact(at(day, f"05:1{k + 2}"), "intake-1", "milk.heated", {
                    "lot": lot, "holding_tube_s": 16.0,
                    "readings": [{"after_s": 60.0 * s, "temperature_c": round(low + 0.1 * (s % 3), 1)}
                                 for s in range(5)]})
        if n % 7 == 0:  # on Mondays the silo is used
            silo = f"SILO{code}"
            fact(at(day, "05:20"), "intake-1", "milk.pooled",
                 {"lot": silo, "from": [{"lot": lot, "volume_l": v} for lot, v in parts.items()]})
            fact(at(day, "05:21"), "intake-1", "milk.pasteurised",
                 {"lot": silo, "temperature_c": 72.5, "held_s": 16.0})
            parts = {silo: litres}
        for lot, volume in parts.items():
            fact(at(day, "05:32"), "vat-2", "vat.filled",
                 {"batch": batch["batch"], "lot": lot, "volume_l": volume})
        if n % 7 == 0:
            culture = f"CUL{code}"
            fact(at(day, "04:30"), "intake-1", "lot.received", {
                "lot": culture, "kind": "culture", "product": "blue culture, freeze-dried",
                "supplier": "Invented Cultures", "supplier_lot": f"IC{n:03}",
                "amount": {"value": 200.0, "unit": "g"}, "use_by": "2026-12-31"})
        if n % 28 == 0:
            rennet, salt = f"REN{code}", f"SAL{code}"
            fact(at(day, "04:31"), "intake-1", "lot.received", {
                "lot": rennet, "kind": "rennet", "product": "rennet",
                "supplier": "Invented Cultures", "amount": {"value": 2.0, "unit": "l"}})
            # The second salt delivery was written down a day late: used before it came in.
            late = 30 if n else 0
            fact(at(day, "04:32") + timedelta(hours=late), "intake-1", "lot.received", {
                "lot": salt, "kind": "salt", "product": "salt", "supplier": "Sea Pans",
                "amount": {"value": 25.0, "unit": "kg"}})
        b = batch["batch"]
        fact(at(day, "05:40"), "vat-2", "vat.dosed",
             {"batch": b, "ingredient": "culture", "lot": culture, "amount": 22.5})
        fact(at(day, "08:40"), "vat-2", "vat.dosed",
             {"batch": b, "ingredient": "rennet", "lot": rennet, "amount": 55.0})
        for clock, reading in [("05:45", {"temperature_c": 31.5}), ("08:35", {"ph": 6.52}),
                               ("10:10", {"ph": 6.45}), ("12:30", {"ph": 5.9})]:
            fact(at(day, clock), "vat-2", "vat.measured", {"batch": b, "reading": reading})
        fact(at(day, "10:15"), "vat-2", "vat.cut", {"batch": b, "note": None})
        fact(at(day, "12:00"), "vat-2", "vat.drained", {"batch": b, "whey_l": round(litres * 0.86, 1)})
        fact(at(day, "12:35"), "vat-2", "vat.dosed",
             {"batch": b, "ingredient": "salt", "lot": salt, "amount": 410.0})
        fact(at(day, "12:40"), "vat-2", "vat.milled", {"batch": b, "note": None})
        fact(at(day, "13:55"), "vat-2", "vat.closed", {"batch": b, "note": None})
        if n % 2 == 0:
            fact(at(day, "15:00"), "vat-2", "tool.sanitised", {"tool": "V1", "method": "hot caustic"})
    pierced = sorted({e["time"][:10] for e in floor if e["type"] == "floor.wheel.pierced.v1"})
    for n, day in enumerate(pierced):
        if n % 5 != 3:  # once in a while it was forgotten
            fact(at(day, "11:30"), "pierce-2", "tool.sanitised", {"tool": "PM1", "method": "hot water"}, "06")
    for day in ["2026-03-02", "2026-03-09", "2026-03-10"]:
        fact(at(day, "12:00"), "pierce-2", "tool.sanitised", {"tool": "IR1", "method": "alcohol"}, "06")
    # Trimmings of a wheel, and curd of a batch, into later batches.
    fact(at("2026-01-16", "06:10"), "vat-2", "vat.reworked",
         {"batch": "260116A", "from": {"wheel": "260109A-07"}, "weight_g": 600})
    fact(at("2026-01-20", "06:10"), "vat-2", "vat.reworked",
         {"batch": "260120A", "from": {"batch": "260119A"}, "weight_g": 900})
    # Laboratory: environment, then cheese.
    for n, day in enumerate(["2026-02-02", "2026-02-16", "2026-03-02", "2026-03-10"]):
        for k, (room, tool, point, zone) in enumerate([
                ("R3", None, "drain", 3), (None, "PM1", "needle plate", 1)]):
            sample = f"SW{n}{k}"
            fact(at(day, f"16:0{k}"), "lab-1", "lab.swabbed", {
                "sample": sample, "room": room, "tool": tool, "point": point, "zone": zone,
                "test": "Listeria spp."}, "08")
            bad = n == 3 and k == 0
            fact(at(day, f"16:1{k}") + timedelta(days=3), "lab-1", "lab.resulted", {
                "sample": sample, "test": "Listeria spp.",
                "value": "detected" if bad else "not detected",
                "verdict": "unsatisfactory" if bad else "satisfactory", "report": f"R-{n}{k}"}, "08")
    for n, batch in enumerate(["260105A", "260106A", "260107A", "260108A"]):
        wheels = [f"{batch}-0{k}" for k in range(1, 6)]
        fact(at("2026-03-09", f"14:0{n}"), "lab-1", "lab.sampled", {
            "sample": f"CH{n}", "batch": batch, "wheels": wheels, "test": "L. monocytogenes",
            "plan": "listeria-cheese", "taken_g": 125}, "08")
        fact(at("2026-03-12", f"14:0{n}"), "lab-1", "lab.resulted", {
            "sample": f"CH{n}", "test": "L. monocytogenes", "value": "not detected in 25 g",
            "verdict": "satisfactory", "units": ["not detected in 25 g"] * 5, "report": f"R-C{n}"}, "08")
    # Orders, coating, wrap, cases, deliveries.
    fact(at("2026-01-05", "04:33"), "intake-1", "lot.received", {
        "lot": "WRAP1", "kind": "packaging", "product": "wrap", "supplier": "Paper and Foil",
        "amount": {"value": 500.0, "unit": "piece"}})
    fact(at("2026-01-05", "04:34"), "intake-1", "lot.received", {
        "lot": "COAT1", "kind": "coating", "product": "rind wash", "supplier": "Invented Cultures",
        "amount": {"value": 5.0, "unit": "l"}})
    fact(at("2026-02-03", "09:00"), "room-2", "lot.used", {
        "lot": "COAT1", "wheels": ["260105A-01", "260105A-02", "260106A-01"], "via": None,
        "amount": {"value": 150.0, "unit": "ml"}})
    orders = [
        ("O-1", "Quay Deli", "home", ["260106A-01", "260106A-02"], True),
        ("O-2", "Corner Shop", "home", ["260106A-03", "260107A-01", "260107A-02"], True),
        ("O-3", "Harbour Imports", "export", ["260107A-03", "260108A-01", "260108A-02"], False),
    ]
    for n, (order, customer, market, wheels, arrived) in enumerate(orders):
        fact(at("2026-03-01", f"09:0{n}"), "office-1", "order.placed", {
            "order": order, "customer": customer, "market": market, "arrive_on": "2026-03-15",
            "lines": [{"recipe": "larkholm-blue", "grade": "A", "wheels": len(wheels)}]}, "09")
        fact(at("2026-03-13", f"09:1{n}"), "dispatch-2", "lot.used", {
            "lot": "WRAP1", "wheels": wheels, "via": None,
            "amount": {"value": float(len(wheels)), "unit": "piece"}}, "09")
        fact(at("2026-03-13", f"09:3{n}"), "dispatch-2", "order.packed", {
            "order": order, "case": ["095060001343000014", "095060001343000021", "095060001343000038"][n],
            "wheels": wheels}, "09")
        fact(at("2026-03-13", f"10:0{n}"), "dispatch-2", "wheel.dispatched",
             {"wheels": wheels, "via": None, "order": order, "market": market}, "09")
        if arrived:
            fact(at("2026-03-14", f"11:0{n}"), "dispatch-2", "wheel.delivered",
                 {"wheels": wheels, "order": order}, "09")
    fact(at("2026-03-14", "15:00"), "dispatch-2", "wheel.returned",
         {"wheels": ["260107A-02"], "reason": "box crushed"}, "09")
    fact(at("2026-03-15", "08:00"), "office-1", "lot.counted",
         {"lot": "WRAP1", "left": {"value": 491.0, "unit": "piece"}}, "09")
    # A deviation and what was decided, a check, and a hold over a batch.
    fact(at("2026-01-28", "12:31"), "vat-2", "deviation.found", {
        "about": {"batch": "260128A"}, "control": "ph-mill", "found": "pH 5.9 at 12:30",
        "wanted": "at most 5.6 before milling"})
    fact(at("2026-02-20", "07:00"), "office-1", "hold.placed", {
        "hold": "DEV-260128A", "scope": {"batch": "260128A"}, "reason": "slow acid"}, "01")
    fact(at("2026-02-20", "07:01"), "office-1", "wheel.held", {
        "wheels": [f"260128A-0{k}" for k in (1, 2, 4, 5, 6)], "hold": "DEV-260128A",
        "reason": "slow acid"}, "01")

    facts.sort(key=lambda f: (f[1], f[0]))
    lines, seq, used = [], {}, {}
    for moment, station, ty, data, badge in facts:
        seq[station] = seq.get(station, 0) + 1
        ms = int(moment.timestamp() * 1000)
        used[ms] = used.get(ms, 0) + 1
        tail = (used[ms] << 48) | (sum(station.encode()) << 20) | seq[station]
        h = f"{ms:012x}7{used[ms]:03x}8{tail & ((1 << 60) - 1):015x}"
        ident = f"{h[:8]}-{h[8:12]}-{h[12:16]}-{h[16:20]}-{h[20:]}"
        text = moment.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ")
        lines.append((moment, station, json.dumps({
            "specversion": "1.0", "id": ident, "source": f"/sites/larkholm/stations/{station}",
            "type": f"floor.{ty}.v1", "time": text, "recordedtime": text,
            "sequence": f"{seq[station]:012}", "authtype": "user", "authid": badge,
            "datacontenttype": "application/json", "data": data}, separators=(",", ":"))))
        if ty == "deviation.found":
            found = ident
    # What was decided names the deviation's own fact.
    moment, station = at("2026-01-28", "13:00"), "office-2"
    ms = int(moment.timestamp() * 1000)
    h = f"{ms:012x}70018000000000000001"
    lines.append((moment, station, json.dumps({
        "specversion": "1.0", "id": f"{h[:8]}-{h[8:12]}-{h[12:16]}-{h[16:20]}-{h[20:]}",
        "source": f"/sites/larkholm/stations/{station}", "type": "floor.deviation.decided.v1",
        "time": "2026-01-28T13:00:00Z", "recordedtime": "2026-01-28T13:00:00Z",
        "sequence": "000000000001", "authtype": "user", "authid": "01",
        "datacontenttype": "application/json",
        "data": {"deviation": found, "decided_by": "01", "action": "milled an hour later at pH 5.6",
                 "consequence": "held"}}, separators=(",", ":"))))
    lines.sort()
    LOTS.write_text("".join(line + "\n" for _, _, line in lines))
    print(len(lines), "facts in", LOTS.name)


main()
