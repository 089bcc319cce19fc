"""The plain alternative: a milk lot traced by SQL over a PostgreSQL copy of the facts.

    python3 tests/recall_sql.py FACTS LOT...

Not a test: it measures, beside `cargo run --release -p trace --example long_history`, on the
same facts (that example writes them). Needs the Debian package postgresql; makes a database
of its own in a temporary folder, and deletes it. Copied are the facts that a trace from a lot
to customers needs, as rows: what went into what, orders, and what happened to each wheel.
Every column that the query joins on has an index, and the tables are analysed."""

import io
import json
import os
import pwd
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

TABLES = """
create unlogged table went_into (source text, target text, at timestamptz, fact uuid);
create unlogged table happened (wheel text, what text, at timestamptz, fact uuid,
                                orders text, grams int, room text);
create unlogged table placed (orders text, customer text, at timestamptz);
"""
INDEXES = """
create index on went_into (source) include (target);
create index on happened (wheel, at desc, fact desc);
create index on placed (orders) include (customer);
vacuum analyze;
"""
# Each wheel's last state, its order and its customer, for everything that a lot went into.
TRACE = """
with recursive reached(node) as (
    select '{lot}'::text
    union
    select w.target from reached r join went_into w on w.source = r.node)
select r.node, last.what, last.room, weight.grams, sent.orders, p.customer
from reached r
join lateral (select what, room from happened h where h.wheel = r.node
              order by at desc, fact desc limit 1) last on true
left join lateral (select grams from happened h where h.wheel = r.node and grams is not null
                   order by at desc, fact desc limit 1) weight on true
left join lateral (select orders from happened h where h.wheel = r.node and orders is not null
                   order by at desc, fact desc limit 1) sent on true
left join placed p on p.orders = sent.orders
order by 1
"""


def rows(path):
    """What a trace needs of each fact, as (table, columns)."""
    for line in open(path):
        kind = line[line.index('"type":"floor.') + 14:]
        kind = kind[:kind.index(".v1")]
        if kind in ("room.climate_read", "tool.sanitised", "wheel.turned", "milk.received"):
            continue
        e = json.loads(line)
        d, at, fact = e["data"], e["time"], e["id"]
        if kind == "vat.started":
            for lot in d["milk_lots"]:
                yield "went_into", (f"L{lot}", f"B{d['batch']}", at, fact)
        elif kind == "vat.dosed":
            yield "went_into", (f"L{d['lot']}", f"B{d['batch']}", at, fact)
        elif kind == "order.placed":
            yield "placed", (d["order"], d["customer"], at)
        for wheel in d.get("wheels") or ([d["wheel"]] if "wheel" in d else []):
            if kind == "wheel.portioned":
                yield "went_into", (f"B{d['batch']}", f"W{wheel}", at, fact)
            order, grams, room = d.get("order"), d.get("weight_g"), d.get("room")
            yield "happened", (f"W{wheel}", kind, at, fact, order, grams, room)


def main():
    path, lots = sys.argv[1], sys.argv[2:]
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    assert programs, "install the Debian package postgresql"
    home = Path(tempfile.mkdtemp())
    user = {}
    if os.geteuid() == 0:  # the database does not run as root
        own = pwd.getpwnam("postgres")
        os.chown(home, own.pw_uid, own.pw_gid)
        user = {"user": own.pw_uid, "group": own.pw_gid}

    def run(program, *args, **kwargs):
        return subprocess.run([programs[-1] / program, *args], check=True, cwd=home, text=True,
                              **user, **kwargs)

    def sql(text, **kwargs):
        return run("psql", "-h", str(home), "-d", "postgres", "-qAtX", "-v", "ON_ERROR_STOP=1",
                   input=text, capture_output=True, **kwargs).stdout

    run("initdb", "-D", str(home / "db"), "--no-sync", "-A", "trust", stdout=subprocess.DEVNULL)
    options = f"-k {home} -c listen_addresses='' -c shared_buffers=2GB -c work_mem=256MB -c fsync=off"
    run("pg_ctl", "-D", str(home / "db"), "-w", "-l", str(home / "log"), "-o", options, "start",
        stdout=subprocess.DEVNULL)
    try:
        began = time.monotonic()
        sql(TABLES)
        counts = {}
        waiting = {}

        def flush(table):
            text = waiting.pop(table).getvalue()
            sql(f"copy {table} from stdin;\n{text}\\.\n")

        for table, columns in rows(path):
            out = waiting.setdefault(table, io.StringIO())
            out.write("\t".join("\\N" if c is None else str(c) for c in columns) + "\n")
            counts[table] = counts.get(table, 0) + 1
            if out.tell() > 1 << 28:
                flush(table)
        for table in list(waiting):
            flush(table)
        sql(INDEXES)
        print(f"copied in {time.monotonic() - began:.0f} s: {counts}")
        for lot in lots:
            query = TRACE.format(lot=f"L{lot}")
            found = sql(query).splitlines()
            timed = "\\timing on\n" + (query + ";\n") * 9
            took = [float(line.split()[1].replace(",", ".")) for line in sql(timed).splitlines()
                    if line.startswith("Time:")]
            wheels = [line.split("|") for line in found]
            print(f"lot {lot}: {len(wheels)} wheels, {len({w[5] for w in wheels if w[5]})} customers; "
                  f"median {statistics.median(took):.2f} ms, best {min(took):.2f} ms")
    finally:
        run("pg_ctl", "-D", str(home / "db"), "-m", "immediate", "stop", stdout=subprocess.DEVNULL)
        shutil.rmtree(home)


main()
