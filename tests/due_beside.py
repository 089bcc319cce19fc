"""The plain alternatives: what is due on the floor, asked of DuckDB, PostgreSQL and pandas.

    python3 tests/due_beside.py FACTS --at INSTANT [INSTANT...] [--check]

Needs the program (--wheelward, else one that cargo has built here) and at least one of:
`pip install duckdb`, `pip install pandas pyarrow`, the Debian package postgresql. What is not
installed is left out, and said. PostgreSQL gets a database of its own in a temporary folder,
which is deleted.

The question: which wheels on the floor need which action now. Its answer is the set of pairs
of a wheel and an action in `wheelward replay FACTS --at INSTANT --json due`, whether due,
overdue, missed or blocked. Equal answers come first: every answer that is timed is compared
with the program's, pair by pair, and so is every tool's answer at each INSTANT. A pair too many
or too few is printed, and the script exits 1. With --check that is all it does.

Stated here: turn, unhoop, rub up, bring to the first room, look at rind, move to the next room,
pierce, iron, grade, dispatch, find it. Late facts, facts that came twice, facts that are void,
and wheels that left, came back or were thrown away are honoured as the program does. Left out,
by the action's name and never by wheel, are
- look into: it rests on everything that cannot be right about a wheel;
- decide on it: it rests on every hold, also those that follow milk, rework and rooms;
- look for metal and weigh again: Larkholm Blue asks for neither;
- and the second piercing, which is called pierce as the first and is not in Larkholm Blue.
Not stated either, and unequal if the facts have them: forecasts, several recipes or versions,
a voiding that is itself voided, a site with a safety file, one code in two spellings.

Timed, at the last INSTANT, all side by side in one run, medians of --rounds:
- reading: from the file of fact lines (which lies in the page cache) to the tool's own tables,
  in the way that is quick for it: DuckDB reads the JSON itself, pandas through pyarrow;
  PostgreSQL is given rows while Python reads the lines, then builds its indexes and analyses;
- asking: the one question, to its rows in hand. Their sum is what is compared with Wheelward,
  which reads and answers in one go, from the start of its process to its exit;
- one more fact, medians of --turns: a stillage's wheels are turned, each time another's. The
  fact is put into the tables that lie there, and the whole question asked again. The last
  answers are compared with the program's, given the same facts. What one more fact takes
  Wheelward is not measured here: --wheelward-one-more gives a figure measured elsewhere.
Starting Python, importing libraries and starting PostgreSQL's server are not counted; what
PostgreSQL is told is neither logged nor flushed. No tool keeps the state of each wheel up to
date as facts come, by triggers say: that would be to write the fold that Wheelward is."""

import argparse
import contextlib
import datetime
import json
import os
import pwd
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import tomllib
import zoneinfo
from collections import Counter, defaultdict
from pathlib import Path

try:
    import duckdb
except ImportError:
    duckdb = None
try:
    import pandas
    import pyarrow
    import pyarrow.compute
    import pyarrow.json
except ImportError:
    pandas = None

ROOT = Path(__file__).resolve().parent.parent
LEFT_OUT = {"look into", "decide on it", "look for metal", "weigh again"}

# Facts about wheels, by who takes one back: the station that stated it, for ten minutes after
# its receipt and one to the disk; or only the office.
OWN = ("wheel.portioned", "wheel.hooped", "wheel.turned", "wheel.unhooped", "wheel.rubbed_up",
       "wheel.loaded", "wheel.moved", "wheel.pierced", "wheel.ironed", "wheel.graded",
       "wheel.weighed", "wheel.allocated", "rind.observed", "lot.used")
OFFICES = ("wheel.labelled", "wheel.held", "wheel.released", "wheel.dispatched",
           "wheel.delivered", "wheel.returned", "wheel.discarded", "lab.sampled", "hold.lifted")
OFFICE = "gateway"
UNDONE_MS = (-60_000, 660_000)
# Nothing happened to a wheel on the floor.
NOT_SEEN = ("wheel.labelled", "wheel.delivered")
KINDS = frozenset(OWN + OFFICES)


class Practice:
    """The site's dairy days and the figures of its recipe, from their files."""

    def __init__(self, site):
        site = Path(site)
        file = tomllib.loads(site.read_text())
        (recipe,) = file["site"]["recipes"]
        r = tomllib.loads((site.parent / recipe).read_text())
        self.zone = file["site"]["time_zone"]
        hours, minutes = file["site"]["day_starts"].split(":")
        self.day_starts_min = int(hours) * 60 + int(minutes)
        self.lost_days = file["site"]["lost_after_days"]
        self.turn_days = r["drain"]["turn_every_days"]
        self.unhoop_age_days = r["drain"]["unhoop_age_days"]["earliest"]
        self.look_days = r["rind"]["check_every_days"]
        self.mould_days = r["rind"]["first_expected_days_after_unhooping"][1]
        self.pierce_age_days = r["pierce"]["age_days"]["earliest"]
        self.iron_age_days = r["iron"]["from_age_days"]
        self.iron_wheels = r["iron"]["wheels_per_batch"]
        self.iron_days = r["iron"]["every_days"]
        self.ready_pct = r["iron"]["ready_at_coverage_pct"]
        self.leave_age_days = min(m["arrive_age_days"][0] - m["transit_days"] for m in r["market"])
        rooms = [stage["room"] for stage in r["stage"]]
        self.first_room = rooms[0]
        self.stages = [
            (s["room"], following, s["turn_every_days"], s["stay_days"][0],
             max(s["stay_days"]), s.get("leave_at_cover_pct"))
            for s, following in zip(r["stage"], rooms[1:] + [None])]

    def day_of(self, at):
        """The dairy day of an instant."""
        local = at.astimezone(zoneinfo.ZoneInfo(self.zone)).replace(tzinfo=None)
        return (local - datetime.timedelta(minutes=self.day_starts_min)).date()

    def figures(self, at):
        """What a query is filled in with."""
        return vars(self) | {"now": at.isoformat(), "today": self.day_of(at).isoformat()}


# ---- SQL, as DuckDB and PostgreSQL both have it -------------------------------------------

# Turns are most of what is known, and of them only the day matters: they have a table of their
# own. Which facts are void is settled when they are read in.
TABLES = """
drop table if exists turned; drop table if exists happened;
drop table if exists void; drop table if exists stage;
create {unlogged} table turned (wheel text, said_at timestamptz, fact uuid, day date);
create {unlogged} table happened (wheel text, kind text, said_at timestamptz, fact uuid, day date,
    batch text, room text, cover_pct float8, coverage_pct float8, grade text);
create {unlogged} table void (fact uuid, said_at timestamptz);
create {unlogged} table stage (room text, following text, turn_days int, least_days int,
    most_days int, leave_pct float8);
"""
DAY = "(timezone('{zone}', said_at) - interval '{day_starts_min} minutes')::date"
SPREAD = f"""
insert into turned select unnest(wheels), said_at, fact, {DAY} from stated
    where kind = 'wheel.turned';
insert into happened select unnest(wheels), kind, said_at, fact, {DAY}, batch, room, cover_pct,
    coverage_pct, grade from stated where kind <> 'wheel.turned' {{lie_by}};
insert into void select distinct f.fact, v.said_at from voiding v join stated f on f.fact = v.target
    where v.station = '{OFFICE}' and (f.kind <> 'wheel.held' or v.person is not null)
       or v.station = f.station and f.kind in {OWN} and f.grade is distinct from 'Reject'
          and {{received_v}} - {{received_f}} between {UNDONE_MS[0]} and {UNDONE_MS[1]};
drop table stated; drop table voiding;
"""
COUNTS = "said_at <= '{now}' and fact not in (select fact from void where said_at <= '{now}')"
QUESTION = f"""
with born as materialized ({{born}}),
way as ({{way}}),
gone as (
    select wheel from way where kind = 'wheel.dispatched'
    union all select wheel from happened where kind = 'wheel.discarded' and {COUNTS}),
floor as materialized (
    select * from born where not exists (select 1 from gone where gone.wheel = born.wheel)),
life as materialized ({{life}}),
did as (
    select wheel, min(day) filter (where kind = 'wheel.unhooped') as unhooped,
        bool_or(kind = 'wheel.rubbed_up') as rubbed_up, bool_or(kind = 'wheel.pierced') as pierced,
        bool_or(kind = 'wheel.returned') as came_back,
        bool_or(kind = 'rind.observed' and cover_pct > 0) as mould,
        max(day) filter (where kind not in {NOT_SEEN}) as seen
    from life group by wheel),
stay as (
    select distinct on (wheel) wheel, room, day as entered from (
        select *, lag(room) over (partition by wheel order by said_at, fact) as before
        from life where kind in ('wheel.moved', 'wheel.dispatched')) moves
    where room is distinct from before order by wheel, said_at desc, fact desc),
rind as (
    select distinct on (wheel) wheel, cover_pct, day as looked from life
    where kind = 'rind.observed' order by wheel, said_at desc, fact desc),
graded as (
    select distinct on (wheel) wheel, kind, grade from life
    where kind = 'wheel.graded' order by wheel, said_at desc, fact desc),
sale as (
    select distinct on (wheel) wheel, kind from life
    where kind in ('wheel.graded', 'wheel.returned') order by wheel, said_at desc, fact desc),
core as materialized (
    select distinct on (wheel) wheel, batch, coverage_pct, day as cored from (
        select h.wheel, born.batch, h.coverage_pct, h.day, h.said_at, h.fact
        from happened h join born using (wheel)
        where h.kind = 'wheel.ironed' and {COUNTS}
          and born.batch in (select batch from floor)) cores
    order by wheel, said_at desc, fact desc),
chosen as materialized (
    select * from (
        select b.wheel, b.batch, coalesce(c.coverage_pct >= {{ready_pct}}, false) as through,
            c.cored, row_number() over (partition by b.batch
                                        order by c.wheel is null, b.wheel) as place
        from born b left join core c using (wheel)
        where b.batch in (select batch from floor)
          and (b.wheel in (select wheel from floor) or c.coverage_pct >= {{ready_pct}})) standing
    where place <= {{iron_wheels}}),
ready as (select batch from chosen group by batch having bool_and(through)),
last_turn as ({{last_turn}}),
known as materialized (
    select f.wheel, f.batch, f.made, coalesce(t.day, f.made) as turned, d.unhooped,
        d.rubbed_up, d.pierced, d.came_back, d.mould, s.room, s.entered,
        stage.following, stage.room as in_stage, coalesce(stage.turn_days, {{turn_days}}) as every,
        stage.leave_pct, s.entered + stage.least_days as least, s.entered + stage.most_days as most,
        r.cover_pct, r.looked, coalesce(r.looked, d.unhooped) as looked_or_unhooped,
        g.grade, sale.kind = 'wheel.graded' as decided, greatest(d.seen, t.day) as last_seen
    from floor f join did d on d.wheel = f.wheel left join last_turn t on t.wheel = f.wheel
    left join stay s on s.wheel = f.wheel left join stage on stage.room = s.room
    left join rind r on r.wheel = f.wheel left join graded g on g.wheel = f.wheel
    left join sale on sale.wheel = f.wheel)
select wheel, 'turn' as action from known where turned + every <= date '{{today}}'
union all select wheel, 'unhoop' from known
    where unhooped is null and made + {{unhoop_age_days}} <= date '{{today}}'
union all select wheel, 'rub up' from known where unhooped is not null and not rubbed_up
union all select wheel, 'bring to {{first_room}}' from known
    where rubbed_up and in_stage is null and not came_back
union all select wheel, 'look at rind' from known
    where unhooped is not null and not pierced and date '{{today}}' >=
        case when not mould and looked_or_unhooped <= unhooped + {{mould_days}}
             then least(looked_or_unhooped + {{look_days}}, unhooped + {{mould_days}} + 1)
             else looked_or_unhooped + {{look_days}} end
union all select wheel, 'move to ' || following from known
    where following is not null and date '{{today}}' >=
        case when leave_pct is null then least
             when cover_pct >= leave_pct then greatest(looked, least) else most end
union all select wheel, 'pierce' from known
    where unhooped is not null and not pierced and made + {{pierce_age_days}} <= date '{{today}}'
union all select k.wheel, 'iron' from known k join chosen c using (wheel)
    where k.pierced and not c.through and k.grade is null
      and k.batch not in (select batch from ready)
      and coalesce(c.cored + {{iron_days}}, k.made + {{iron_age_days}}) <= date '{{today}}'
union all select wheel, 'grade' from known
    where unhooped is not null and grade is null and batch in (select batch from ready)
union all select wheel, 'dispatch' from known
    where grade <> 'Reject' and decided and made + {{leave_age_days}} <= date '{{today}}'
union all select wheel, 'find it' from known
    where last_seen + {{lost_days}} <= date '{{today}}'
"""
ONE_MORE = f"""
insert into turned select unnest({{wheels}}), said_at, fact, {DAY}
from (select timestamptz '{{now}}' as said_at, cast('{{fact}}' as uuid) as fact) said;
"""


def spread(tool):
    """From what was stated to what is known of wheels."""
    return SPREAD.format(**vars(tool.practice), lie_by=tool.LIE_BY,
                         received_v=tool.received("v.by_fact"), received_f=tool.received("f.fact"))


def question(tool, at):
    """The question as a tool answers it best."""
    figures = tool.practice.figures(at)
    own = {"born": tool.BORN, "way": tool.WAY, "life": tool.LIFE, "last_turn": tool.LAST_TURN}
    own = {name: text.format(**figures) for name, text in own.items()}
    return QUESTION.format(**figures, **own) + ";\n"


def literal(value):
    return "null" if value is None else repr(value)


def stage_rows(practice):
    rows = ("(" + ", ".join(map(literal, row)) + ")" for row in practice.stages)
    return "insert into stage values " + ", ".join(rows) + ";"


class DuckDb:
    name = "DuckDB"
    LIE_BY = "order by kind"  # blocks of other kinds are passed over
    BORN = f"""select wheel, arg_min(batch, struct_pack(said_at, fact)) as batch, min(day) as made
        from happened where kind = 'wheel.portioned' and {COUNTS} group by wheel"""
    WAY = f"""select wheel, arg_max(kind, struct_pack(said_at, fact)) as kind from happened
        where kind in ('wheel.dispatched', 'wheel.returned') and {COUNTS} group by wheel"""
    LIFE = f"select h.* from happened h join floor using (wheel) where {COUNTS}"
    LAST_TURN = f"""select wheel, max(day) as day from turned
        where wheel in (select wheel from floor) and {COUNTS} group by wheel"""
    LINES = """read_json(?, format = 'newline_delimited', columns = {
        id: 'uuid', source: 'varchar', type: 'varchar', time: 'timestamptz',
        recordedtime: 'timestamptz', authid: 'varchar', data: 'struct(wheel varchar,
        wheels varchar[], batch varchar, room varchar, cover_pct double,
        blue_coverage_pct double, grade varchar, fact uuid)'})"""
    LINE = f"""
    create temp table line as select id as fact, substr(type, 7, length(type) - 9) as kind,
        least(time, recordedtime) as said_at, split_part(source, '/', 5) as station,
        authid as person, data
    from {LINES} where type <> 'floor.room.climate_read.v1';
    """
    SPLIT = f"""
    create temp table stated as select fact, kind, said_at, station, data.batch as batch,
        case when kind <> 'wheel.dispatched' then data.room else '' end as room,
        data.cover_pct as cover_pct, data.blue_coverage_pct as coverage_pct, data.grade as grade,
        coalesce(data.wheels, [data.wheel]) as wheels
    from line where kind in {OWN + OFFICES};
    create temp table voiding as select data.fact as target, fact as by_fact, said_at, station,
        person from line where kind = 'fact.voided';
    drop table line;
    """

    def __init__(self, practice):
        self.practice = practice
        self.db = duckdb.connect()

    @staticmethod
    def received(name):
        return f"epoch_ms(uuid_extract_timestamp({name}))"

    def read(self, path):
        self.db.execute(TABLES.format(unlogged="") + stage_rows(self.practice))
        self.db.execute(self.LINE, [str(path)])
        self.db.execute(self.SPLIT)
        self.db.execute(spread(self))

    def ask(self, at):
        return self.db.execute(question(self, at)).fetchall()

    def one_more(self, wheels, at, fact):
        began = time.monotonic()
        figures = self.practice.figures(at)
        self.db.execute(ONE_MORE.format(**figures, fact=fact, wheels=wheels))
        rows = self.ask(at)
        return time.monotonic() - began, rows

    def close(self):
        self.db.close()


class PostgreSql:
    name = "PostgreSQL"
    LIE_BY = ""  # as it came
    STATED = """
    create unlogged table stated (fact uuid, kind text, said_at timestamptz, station text,
        batch text, room text, cover_pct float8, coverage_pct float8, grade text, wheels text[]);
    create unlogged table voiding (target uuid, by_fact uuid, said_at timestamptz, station text,
        person text);
    """
    INDEXES = """
    create index on turned (wheel, said_at desc, fact desc) include (day);
    create index on happened (wheel);
    create index on happened (wheel, said_at, fact) include (batch, day)
        where kind = 'wheel.portioned';
    create index on happened (wheel, said_at desc, fact desc) include (kind)
        where kind in ('wheel.dispatched', 'wheel.returned');
    create index on happened (wheel, said_at, fact) where kind = 'wheel.discarded';
    create index on happened (wheel, said_at desc, fact desc) include (coverage_pct, day)
        where kind = 'wheel.ironed';
    create unique index on void (fact, said_at);
    vacuum analyze turned, happened, void, stage;
    """
    BORN = f"""select distinct on (wheel) wheel, batch, day as made from happened
        where kind = 'wheel.portioned' and {COUNTS} order by wheel, said_at, fact"""
    WAY = f"""select distinct on (wheel) wheel, kind from happened
        where kind in ('wheel.dispatched', 'wheel.returned') and {COUNTS}
        order by wheel, said_at desc, fact desc"""
    # An index is looked into once a wheel on the floor, and not the whole table read.
    LIFE = f"""select h.* from floor cross join lateral (
        select * from happened where happened.wheel = floor.wheel and {COUNTS} offset 0) h"""
    LAST_TURN = f"""select f.wheel, t.day from floor f cross join lateral (
        select day from turned where turned.wheel = f.wheel and {COUNTS}
        order by said_at desc, fact desc limit 1) t"""

    def __init__(self, practice):
        self.practice = practice
        self.home = Path(tempfile.mkdtemp())
        self.user = {}
        if os.geteuid() == 0:  # the database does not run as root
            own = pwd.getpwnam("postgres")
            os.chown(self.home, own.pw_uid, own.pw_gid)
            self.user = {"user": own.pw_uid, "group": own.pw_gid}
        self.run("initdb", "-D", self.home / "db", "--no-sync", "-A", "trust",
                 "--locale=C", "--encoding=UTF8")
        options = (f"-k {self.home} -c listen_addresses='' -c shared_buffers=4GB -c work_mem=256MB"
                   " -c maintenance_work_mem=1GB -c fsync=off -c jit=off -c random_page_cost=1.1"
                   " -c max_wal_size=8GB -c client_min_messages=warning")
        self.run("pg_ctl", "-D", self.home / "db", "-w", "-l", self.home / "log", "-o", options,
                 "start")

    @staticmethod
    def programs():
        found = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
        here = shutil.which("initdb")
        return found[-1] if found else here and Path(here).resolve().parent

    def run(self, program, *args):
        subprocess.run([self.programs() / program, *args], check=True, cwd=self.home,
                       stdout=subprocess.DEVNULL, **self.user)

    def psql(self):
        args = ["-h", self.home, "-d", "postgres", "-qAtX", "-v", "ON_ERROR_STOP=1"]
        return subprocess.Popen([self.programs() / "psql", *args], cwd=self.home, text=True,
                                stdin=subprocess.PIPE, stdout=subprocess.PIPE, **self.user)

    def sql(self, text):
        client = self.psql()
        said, _ = client.communicate(text)
        assert client.returncode == 0, "psql failed"
        return said

    @staticmethod
    def received(name):
        return f"('x' || left(replace({name}::text, '-', ''), 12))::bit(48)::bigint"

    def read(self, path):
        self.sql(TABLES.format(unlogged="unlogged") + stage_rows(self.practice) + self.STATED)
        self.copy(path)
        self.sql(spread(self) + self.INDEXES)

    def copy(self, path):
        client = self.psql()
        client.stdin.write("copy stated from stdin;\n")
        voidings = []
        for line in open(path):
            if '"type":"floor.room.climate_read.v1"' not in line:
                self.copy_line(json.loads(line), client.stdin, voidings)
        client.stdin.write("\\.\ncopy voiding from stdin;\n" + "".join(voidings) + "\\.\n")
        client.communicate()
        assert client.returncode == 0, "psql failed"

    @staticmethod
    def copy_line(e, out, voidings):
        def row(columns):
            return "\t".join("\\N" if c is None else str(c) for c in columns) + "\n"

        kind, d = e["type"][6:-3], e["data"]
        at, station = e["time"], e["source"].rsplit("/", 1)[1]
        if at != e["recordedtime"]:
            at = min(at, e["recordedtime"], key=datetime.datetime.fromisoformat)
        if kind == "fact.voided":
            voidings.append(row((d["fact"], e["id"], at, station, e.get("authid"))))
        elif kind in KINDS:
            wheels = "{" + ",".join(d["wheels"] if "wheels" in d else [d["wheel"]]) + "}"
            room = "" if kind == "wheel.dispatched" else d.get("room")
            out.write(row((e["id"], kind, at, station, d.get("batch"), room, d.get("cover_pct"),
                           d.get("blue_coverage_pct"), d.get("grade"), wheels)))

    def timed(self, text):
        """What the server takes, as the client sees it, and the answer's rows."""
        said = self.sql("\\timing on\n" + text).splitlines()
        took = [line for line in said if line.startswith("Time:")]
        rows = [tuple(line.split("|")) for line in said if not line.startswith("Time:")]
        self.took_s = sum(float(line.split()[1].replace(",", ".")) for line in took) / 1000
        return rows

    def ask(self, at):
        return self.timed(question(self, at))

    def one_more(self, wheels, at, fact):
        figures = self.practice.figures(at)
        stated = ONE_MORE.format(**figures, fact=fact, wheels=f"array{wheels}")
        rows = self.timed(stated + question(self, at))
        return self.took_s, rows

    def close(self):
        self.run("pg_ctl", "-D", self.home / "db", "-m", "immediate", "stop")
        shutil.rmtree(self.home)


class Pandas:
    """Codes of wheels are their places in the sorted list of names, so they sort alike; days are
    counted from 1970; what is not known is NaN, which no comparison finds true."""

    name = "pandas"

    def __init__(self, practice):
        self.practice = practice
        columns = ["room", "following", "turn_days", "least_days", "most_days", "leave_pct"]
        self.stage = pandas.DataFrame(practice.stages, columns=columns).set_index("room")

    def read(self, path):
        table = self.lines(path)
        facts = self.facts(table)
        named = self.named(table, facts.kind.isin(KINDS))
        turns = (facts.kind == "wheel.turned").to_numpy()[named.line]
        # A list: what comes later is another part, and the large one is not copied.
        self.turned = [named[turns].join(facts[["at", "day"]], on="line")]
        happened = named[~turns].join(facts, on="line").sort_values(["at", "id"])
        self.happened = happened.drop(columns=["id", "source", "authid", "fact"])
        self.void = self.voids(facts)

    @staticmethod
    def lines(path):
        """Every fact but the rooms' air."""
        text, number = pyarrow.string(), pyarrow.float64()
        data = pyarrow.struct([
            ("wheel", text), ("wheels", pyarrow.list_(text)), ("batch", text), ("room", text),
            ("cover_pct", number), ("blue_coverage_pct", number), ("grade", text), ("fact", text)])
        schema = pyarrow.schema([
            ("id", text), ("source", text), ("type", text), ("time", text),
            ("recordedtime", text), ("authid", text), ("data", data)])
        table = pyarrow.json.read_json(
            path, read_options=pyarrow.json.ReadOptions(block_size=1 << 24),
            parse_options=pyarrow.json.ParseOptions(schema, unexpected_field_behavior="ignore"))
        wanted = pyarrow.compute.not_equal(table["type"], "floor.room.climate_read.v1")
        return table.filter(wanted).flatten().flatten().combine_chunks()

    def facts(self, table):
        facts = table.drop_columns(["data.wheel", "data.wheels"]).to_pandas()
        facts.columns = [name.removeprefix("data.") for name in facts.columns]
        facts["kind"] = facts.pop("type").str.slice(6, -3).astype("category")
        times = [pandas.to_datetime(facts.pop(name), utc=True, format="ISO8601")
                 for name in ("time", "recordedtime")]
        facts["at"] = times[0].where(times[0] <= times[1], times[1])
        facts["day"] = self.days(facts["at"])
        facts.loc[facts.kind == "wheel.dispatched", "room"] = ""
        return facts

    def days(self, at):
        local = at.dt.tz_convert(self.practice.zone).dt.tz_localize(None)
        local -= pandas.Timedelta(minutes=self.practice.day_starts_min)
        return local.astype("datetime64[s]").astype("int64") // 86_400

    def named(self, table, wanted):
        """Which line names which wheel."""
        one, many = table["data.wheel"].chunk(0), table["data.wheels"].chunk(0)
        alone = pyarrow.compute.indices_nonzero(one.is_valid())
        line = pyarrow.concat_arrays([
            alone.cast("int64"), pyarrow.compute.list_parent_indices(many).cast("int64")])
        wheel = pyarrow.concat_arrays([one.take(alone), many.flatten()]).dictionary_encode()
        self.names = pandas.Index(wheel.dictionary.to_pandas().sort_values())
        places = self.names.get_indexer(wheel.dictionary.to_pandas())
        named = pandas.DataFrame({
            "line": line.to_numpy(), "wheel": places[wheel.indices.to_numpy()]})
        return named[wanted.to_numpy()[named.line]]

    @staticmethod
    def voids(facts):
        """The lines that are void, and since when."""
        voidings = facts[facts.kind == "fact.voided"][["fact", "id", "at", "source", "authid"]]
        found = facts.reset_index(names="line").merge(
            voidings, left_on="id", right_on="fact", suffixes=("", "_void"))
        if found.empty:
            return found
        received, by = (found[name].str.replace("-", "").str[:12].map(lambda ms: int(ms, 16))
                        for name in ("id", "id_void"))
        office = found.source_void.str.endswith("/" + OFFICE)
        office &= (found.kind != "wheel.held") | found.authid_void.notna()
        own = (found.source == found.source_void) & found.kind.isin(OWN)
        own &= (found.grade != "Reject") & (by - received).between(*UNDONE_MS)
        return found[office | own]

    def counting(self, frame, at):
        if self.void.empty:
            return frame[frame["at"] <= at]
        void = self.void.line[self.void["at_void"] <= at]
        return frame[(frame["at"] <= at) & ~frame.line.isin(void)]

    def ask(self, at):
        def of(*kinds):
            return self.counting(self.happened[self.happened.kind.isin(kinds)], at)

        born = of("wheel.portioned").drop_duplicates("wheel").set_index("wheel")
        born = born[["batch", "day"]].set_axis(["batch", "made"], axis=1)
        way = self.last(of("wheel.dispatched", "wheel.returned"))
        gone = way.index[way.kind == "wheel.dispatched"].union(of("wheel.discarded").wheel.unique())
        floor = born.drop(gone.intersection(born.index))
        known = self.known(floor, at)
        chosen = self.chosen(born, floor, of("wheel.ironed"))
        return self.asked(known, chosen, self.practice.day_of(at))

    @staticmethod
    def by_kind(rows):
        found = dict(iter(rows.groupby("kind", observed=True)))
        return defaultdict(lambda: rows.iloc[:0], found)

    @staticmethod
    def last(rows):
        return rows.drop_duplicates("wheel", keep="last").set_index("wheel")

    def known(self, floor, at):
        """All that the rules look at, a row a wheel on the floor."""
        known = floor.copy()
        turned, life = (
            self.counting(pandas.concat(part[part.wheel.isin(floor.index)] for part in parts), at)
            for parts in (self.turned, [self.happened]))
        turned = turned.groupby("wheel").day.max()
        of = self.by_kind(life)
        known["turned"] = turned.reindex(known.index).fillna(known.made)
        known["unhooped"] = of["wheel.unhooped"].groupby("wheel").day.min()
        for kind in ("wheel.rubbed_up", "wheel.pierced", "wheel.returned"):
            known[kind[6:]] = known.index.isin(of[kind].wheel)
        rind = of["rind.observed"]
        known["mould"] = known.index.isin(rind.wheel[rind.cover_pct > 0])
        known[["cover_pct", "looked"]] = self.last(rind)[["cover_pct", "day"]]
        known["grade"] = self.last(of["wheel.graded"]).grade
        sale = self.last(life[life.kind.isin(["wheel.graded", "wheel.returned"])])
        known["decided"] = known.index.isin(sale.index[sale.kind == "wheel.graded"])
        seen = life[~life.kind.isin(NOT_SEEN)].groupby("wheel").day.max()
        known["seen"] = seen.combine(turned, max, fill_value=0)
        moves = life[life.kind.isin(["wheel.moved", "wheel.dispatched"])]
        moves = moves[moves.room != moves.groupby("wheel").room.shift()]
        known[["room", "entered"]] = self.last(moves)[["room", "day"]]
        return known.join(self.stage, on="room")

    def chosen(self, born, floor, ironed):
        """The wheels whose cores stand for their batches."""
        cores = self.last(ironed)[["blue_coverage_pct", "day"]]
        mates = born[born.batch.isin(floor.batch)].join(cores)
        mates["through"] = mates.blue_coverage_pct >= self.practice.ready_pct
        mates["closed"] = mates.blue_coverage_pct.isna()
        mates = mates[mates.through | mates.index.isin(floor.index)]
        mates = mates.rename_axis("wheel").reset_index().sort_values(["closed", "wheel"])
        return mates.groupby("batch").head(self.practice.iron_wheels).set_index("wheel")

    def asked(self, known, chosen, day):
        p, k = self.practice, known
        today = (day - datetime.date(1970, 1, 1)).days
        ready = chosen.groupby("batch").through.all()
        is_ready = k.batch.isin(ready.index[ready])
        open_ = chosen[~chosen.through].reindex(k.index)
        unhooped, ungraded = k.unhooped.notna(), k.grade.isna()
        look = k.looked.fillna(k.unhooped)
        late = look.add(p.look_days).clip(upper=k.unhooped + p.mould_days + 1)
        early = ~k.mould & (look <= k.unhooped + p.mould_days)
        look = late.where(early, look + p.look_days)
        least, most = k.entered + k.least_days, k.entered + k.most_days
        move = k.looked.clip(lower=least).where(k.cover_pct >= k.leave_pct, most)
        move = least.where(k.leave_pct.isna(), move)
        core = open_.day.add(p.iron_days).fillna(k.made + p.iron_age_days)
        wanted = {
            "turn": k.turned + k.turn_days.fillna(p.turn_days) <= today,
            "unhoop": ~unhooped & (k.made + p.unhoop_age_days <= today),
            "rub up": unhooped & ~k.rubbed_up,
            f"bring to {p.first_room}": k.rubbed_up & k.turn_days.isna() & ~k.returned,
            "look at rind": unhooped & ~k.pierced & (look <= today),
            "pierce": unhooped & ~k.pierced & (k.made + p.pierce_age_days <= today),
            "iron": k.pierced & open_.batch.notna() & ungraded & ~is_ready & (core <= today),
            "grade": unhooped & ungraded & is_ready,
            "dispatch": ~ungraded & (k.grade != "Reject") & k.decided
            & (k.made + p.leave_age_days <= today),
            "find it": k.seen + p.lost_days <= today,
        }
        for room in k.following.dropna().unique():
            wanted[f"move to {room}"] = (k.following == room) & (move <= today)
        return [(wheel, action) for action, which in wanted.items()
                for wheel in self.names[k.index[which]]]

    def one_more(self, wheels, at, fact):
        began = time.monotonic()
        new = pandas.DataFrame({"line": -1, "wheel": self.names.get_indexer(wheels), "at": at})
        self.turned.append(new.assign(day=self.days(new["at"])))
        rows = self.ask(at)
        return time.monotonic() - began, rows

    def close(self):
        pass


# ---- beside the program --------------------------------------------------------------------


class Wheelward:
    name = "Wheelward"

    def __init__(self, program, site):
        self.program, self.site = program, site

    def due(self, path, at):
        """Its answer as it prints it, and what that took."""
        began = time.monotonic()
        done = subprocess.run(
            [self.program, "replay", path, "--site", self.site, "--at", at.isoformat(), "--json",
             "due"], check=True, stdout=subprocess.PIPE)
        return time.monotonic() - began, json.loads(done.stdout)["lines"]


def pairs(lines):
    """What is stated here too, as pairs of a wheel and an action."""
    return {(wheel, line["action"]) for line in lines if line["action"] not in LEFT_OUT
            for wheel in line["wheels"]}


def compare(name, at, rows, truth):
    """Exits when an answer is not the program's."""
    found = set(rows)
    if found == truth and len(rows) == len(truth):
        return
    for word, some in (("too many", found - truth), ("missing", truth - found)):
        for wheel, action in sorted(some):
            print(f"{word}: {wheel} {action}")
    print(f"{name} at {at.isoformat()}: {len(rows)} pairs, the program has {len(truth)}")
    sys.exit(1)


def counted(truth):
    counts = Counter(action for _, action in truth)
    return ", ".join(f"{action} {n}" for action, n in sorted(counts.items())) or "nothing"


def installed(stack, practice):
    """Every tool that is here, started."""
    here = {DuckDb: duckdb, PostgreSql: PostgreSql.programs(), Pandas: pandas}
    for tool in (tool for tool, found in here.items() if not found):
        print(f"{tool.name} is not installed: left out")
    tools = []
    for tool in (tool for tool, found in here.items() if found):
        tools.append(tool(practice))
        stack.callback(tools[-1].close)
    assert tools, "none of the tools is installed"
    return tools


def cold(tool, path, at):
    """Seconds of reading and of asking, and the rows."""
    began = time.monotonic()
    tool.read(path)
    read = time.monotonic()
    rows = tool.ask(at)
    asked_s = tool.took_s if isinstance(tool, PostgreSql) else time.monotonic() - read
    return read - began, asked_s, rows


def turn_line(wheels, number, at):
    """The fact that a stillage's wheels were turned; its name, and its line."""
    fact = f"{int(at.timestamp() * 1000):012x}"
    fact = f"{fact[:8]}-{fact[8:]}-7000-8000-{number:012x}"
    now = at.isoformat().replace("+00:00", "Z")
    return fact, json.dumps({
        "specversion": "1.0", "id": fact, "source": "/sites/larkholm/stations/room-1",
        "type": "floor.wheel.turned.v1", "time": now, "recordedtime": now,
        "sequence": f"{9_000_000 + number:012}", "authtype": "user", "authid": "04",
        "datacontenttype": "application/json", "data": {"wheels": wheels, "via": None}})


def one_more(tools, stillages, at):
    """Turns one stillage after another. Seconds by tool, the last answers, and the lines."""
    took_s, answers, lines = {tool: [] for tool in tools}, {}, []
    for number, wheels in enumerate(stillages):
        fact, line = turn_line(wheels, number, at)
        lines.append(line + "\n")
        for tool in tools:
            seconds, answers[tool] = tool.one_more(wheels, at, fact)
            took_s[tool].append(seconds)
    return took_s, answers, lines


def compare_one_more(wheelward, path, lines, at, answers):
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "facts"
        shutil.copyfile(path, copy)
        with open(copy, "a") as out:
            out.writelines(lines)
        truth = pairs(wheelward.due(copy, at)[1])
    for tool, rows in answers.items():
        compare(f"{tool.name} after {len(lines)} more facts", at, rows, truth)


def on_stillages(due, most):
    """The wheels of stillages that are to be turned."""
    stand = {}
    for line in due:
        stillage = (line["carrier"] or {}).get("stillage")
        if line["action"] == "turn" and stillage:
            stand.setdefault(stillage, []).extend(line["wheels"])
    assert stand, "no stillage is to be turned at the last instant: name one in the morning"
    return list(stand.values())[:most]


def print_times(wheelward_s, cold_s, more_s, wheelward_more_s):
    ours = statistics.median(wheelward_s)
    print(f"\nfrom the file to the answer, medians of {len(wheelward_s)}:")
    print(f"{'Wheelward':>10}: {ours:.2f} s")
    for tool, times in cold_s.items():
        read, asked = (statistics.median(column) for column in zip(*times))
        both = statistics.median(map(sum, times))
        print(f"{tool.name:>10}: {both:.2f} s, {both / ours:.2f} × Wheelward's "
              f"(reading {read:.2f} s, asking {asked:.3f} s)")
    print(f"\none more fact, and asked again, medians of {len(next(iter(more_s.values())))}:")
    if wheelward_more_s:
        print(f"{'Wheelward':>10}: {wheelward_more_s * 1000:.3g} ms, measured elsewhere")
    for tool, times in more_s.items():
        took = statistics.median(times)
        ratio = f", {took / wheelward_more_s:.0f} × Wheelward's" if wheelward_more_s else ""
        print(f"{tool.name:>10}: {took * 1000:.0f} ms{ratio}")


def measure(options, tools, wheelward):
    path, last = options.facts, options.at[-1]
    wheelward_s, cold_s = [], {tool: [] for tool in tools}
    for _ in range(1 if options.check else options.rounds):
        seconds, due = wheelward.due(path, last)
        wheelward_s.append(seconds)
        for tool in tools:
            read_s, asked_s, rows = cold(tool, path, last)
            cold_s[tool].append((read_s, asked_s))
            compare(tool.name, last, rows, pairs(due))
    for at in options.at:
        truth = pairs(wheelward.due(path, at)[1])
        for tool in tools:
            compare(tool.name, at, tool.ask(at), truth)
        names = ", ".join(tool.name for tool in tools)
        print(f"equal at {at.isoformat()} ({names}): {counted(truth)}")
    if options.check:
        return
    more_s, answers, lines = one_more(tools, on_stillages(due, options.turns), last)
    compare_one_more(wheelward, path, lines, last, answers)
    print(f"equal after {len(lines)} more facts")
    print_times(wheelward_s, cold_s, more_s, options.wheelward_one_more)


def instant(text):
    at = datetime.datetime.fromisoformat(text)
    return at.astimezone(datetime.timezone.utc)


def program():
    built = (ROOT / "target" / kind / "wheelward" for kind in ("release", "debug"))
    return next((path for path in built if path.exists()), None)


def main():
    site = ROOT / "deploy" / "demo" / "larkholm.toml"
    told = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    told.add_argument("facts", type=Path, help="a CloudEvent a line")
    told.add_argument("--at", type=instant, nargs="+", required=True, help="RFC 3339")
    told.add_argument("--check", action="store_true", help="equality only")
    told.add_argument("--site", type=Path, default=site)
    told.add_argument("--wheelward", type=Path, default=program())
    told.add_argument("--rounds", type=int, default=3)
    told.add_argument("--turns", type=int, default=9, help="how often one more fact is stated")
    told.add_argument("--wheelward-one-more", type=float, metavar="SECONDS",
                      help="what one more fact takes Wheelward, measured elsewhere")
    options = told.parse_args()
    assert options.wheelward, "build the program, or name it with --wheelward"
    load = os.getloadavg()[0]
    with contextlib.ExitStack() as stack:
        tools = installed(stack, Practice(options.site))
        measure(options, tools, Wheelward(options.wheelward, options.site))
    if not options.check:
        print(f"\n{os.cpu_count()} cores; {load:.1f} wanted one before, "
              f"{os.getloadavg()[0]:.1f} after")


main()
