"""Proves that sessions of many crews, in one store, are asked by ordinary engines: see run.sh."""

import argparse
import collections
import datetime
import hashlib
import io
import json
import os
import pathlib
import platform
import shutil
import subprocess
import tempfile
import time
import urllib.parse

import again
import engines
import store

ROOT = pathlib.Path("target/lake")
SEED = 7
SESSIONS = 50
SESSIONS_FULL = 2_000
# What is exported to the store for S3, and killed: enough to be cut in the middle.
PART = 50
YEARLY = 200_000
# No command here may take longer than this.
LIMIT_S = 1_800


class Checks:
    def __init__(self):
        self.passed = self.failed = 0

    def that(self, claim, holds, detail=""):
        if holds:
            self.passed += 1
            print(f"ok: {claim}", flush=True)
        else:
            self.failed += 1
            print(f"FAILED: {claim}: {detail}", flush=True)


def measured(what):
    print(f"measured: {what}", flush=True)


Done = collections.namedtuple("Done", "exit out err seconds peak_kib")


def run(command, env=None, ok=True):
    """Runs a command to its end; with the time that it took and the most memory that it had."""
    with tempfile.TemporaryFile("w+") as out, tempfile.TemporaryFile("w+") as err:
        began, peak_kib = time.monotonic(), 0
        process = subprocess.Popen([str(word) for word in command], stdout=out, stderr=err, env=env)
        # The system's own count of a process begins with what this one has, since it comes of it.
        while process.poll() is None:
            peak_kib = max(peak_kib, most_memory_kib(process.pid))
            time.sleep(0.005)
            if time.monotonic() - began > LIMIT_S:
                process.kill()
        seconds = time.monotonic() - began
        out.seek(0), err.seek(0)
        done = Done(process.returncode, out.read(), err.read(), seconds, peak_kib)
    if ok and done.exit != 0:
        raise SystemExit(f"tests/lake/run.py: {command[0]} {command[1]} … ended with {done.exit}: {done.err[-2000:]}")
    return done


def most_memory_kib(pid):
    try:
        lines = pathlib.Path(f"/proc/{pid}/status").read_text().splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in lines if line.startswith("VmHWM:")), 0)


def folders(sessions):
    return sorted(path for path in sessions.iterdir() if path.is_dir())


def files(lake):
    """All files of a lake in a folder, with their bytes' digests."""
    paths = (path for path in lake.rglob("*") if path.is_file())
    return {str(path.relative_to(lake)): hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def is_parquet(content):
    import pyarrow
    import pyarrow.parquet

    try:
        pyarrow.parquet.ParquetFile(io.BytesIO(content)).metadata
    except pyarrow.ArrowInvalid:
        return False
    return True


def session_of(name):
    return name.rsplit("/", 1)[-1].split(".")[0]


def seen_by_engines(name):
    """Engines pass over what begins with a dot or an underscore, and read all else in a table's folder."""
    return not any(part[0] in "._" for part in name.split("/"))


def half_visible(held, whole):
    """What engines would see of `held` (name -> digest) that is not as in `whole`, or is not all there."""
    wrong = [name for name, digest in held.items() if seen_by_engines(name) and whole.get(name) != digest]
    told = {session_of(name) for name in held if name.startswith("sessions/") and name.endswith(".parquet")}
    missing = [name for name in whole if session_of(name) in told and name not in held]
    return wrong + missing


def truth_is_told(checks, answers, truth):
    """The planted faults are found, and no unit is accused that never was faulty."""
    told = {name: [dict(zip(columns, row)) for row in rows] for name, (columns, rows) in answers.items()}
    never = set(truth["never_faulty"])
    rates = []
    for query, planted in [
        ("shrinking_split", truth["shrinking"]),
        ("short_cycling", truth["short_cycling"]),
        ("same_suspect", truth["repeated"]),
    ]:
        sites = {row["site"] for row in told[query]}
        missed = set(planted) - sites
        innocent = never - set(planted)
        accused = sites & innocent
        checks.that(f"{query} finds all that was planted", planted and not missed, missed)
        checks.that(f"{query} accuses nothing healthy", not accused, accused)
        rates.append(
            f"{query} {len(planted) - len(missed)} of {len(planted)} found,"
            f" {len(accused)} of {len(innocent)} healthy accused"
        )

    suspects = collections.defaultdict(set)
    for row in told["same_suspect"]:
        suspects[row["site"]].add(row["suspect"])
    faults = collections.defaultdict(set)
    for visit in truth["visits"]:
        faults[visit["site"]] |= {words.split()[1].replace("-", "_") for words in visit["faults"]}
    mistaken = {site: found - faults[site] for site, found in suspects.items() if found - faults[site]}
    checks.that("same_suspect names the fault that it was", not mistaken, mistaken)

    probes = {row["probe"]: row["why"] for row in told["out_of_calibration"]}
    reasons = {"old": "more than a year old", "beyond": "beyond its accuracy"}
    planted = {probe: reasons[why] for probe, why in truth["out_of_calibration"].items()}
    checks.that("out_of_calibration tells the two bad probes and no other", probes == planted, probes)

    changed = {row["site"] for row in told["before_after"]}
    checks.that("before_after tells of all repairs", changed == set(truth["repaired"]), changed)
    improved = [
        row["site"]
        for row in told["before_after"]
        if row["measure"] == "evaporator_split" and row["beyond_doubt"] and row["change"] > 0
    ]
    starved = {visit["site"] for visit in truth["visits"] if visit["changed"] and "severe low-charge" in visit["faults"]}
    checks.that("before_after sees the split come back with the charge", starved <= set(improved), improved)

    units = {visit["site"] for visit in truth["visits"]}
    read = {row["site"] for row in told["hottest_discharge"]}
    checks.that("sites are named as in the job, whatever their letters", read == units, read ^ units)
    measured("; ".join(rates))


def ask_both(checks, lake):
    """All queries on both engines; the answers where they agree."""
    answers, times = {}, []
    duck = engines.DuckDB(lake)
    began = time.monotonic()
    spark = engines.Spark(lake)
    up_s = time.monotonic() - began
    for path in engines.QUERIES:
        sql = path.read_text()
        began = time.monotonic()
        one = duck.ask(sql)
        between = time.monotonic()
        other = spark.ask(sql)
        ended = time.monotonic()
        differs = engines.difference(one, other)
        checks.that(f"DuckDB and Spark answer {path.stem} alike ({len(one[1])} rows)", differs is None, differs)
        answers[path.stem] = one
        times.append(f"{path.stem} {between - began:.2f} and {ended - between:.2f}")
    measured(f"seconds on DuckDB and on Spark (which took {up_s:.1f} to begin): " + ", ".join(times))
    return answers, spark, duck


def joined(checks, duck, answers, lake, root):
    """The same lake with one file a month and table in place of one a session: what makes it fast again."""
    to = root / "joined"
    began = time.monotonic()
    for table in engines.TABLES:
        rows = f"SELECT *, strftime(date, '%Y-%m') AS month FROM {table} ORDER BY session"
        as_files = "FORMAT parquet, COMPRESSION zstd, PARTITION_BY (month)"
        (to / table).mkdir(parents=True)
        duck.connection.execute(f"COPY ({rows}) TO '{to / table}' ({as_files}, OVERWRITE_OR_IGNORE)")
    seconds = time.monotonic() - began
    other, differs, times = engines.DuckDB(to), {}, []
    for path in engines.QUERIES:
        began = time.monotonic()
        differs[path.stem] = engines.difference(other.ask(path.read_text()), answers[path.stem])
        times.append(f"{path.stem} {time.monotonic() - began:.2f}")
    checks.that("files joined by the month answer alike", not any(differs.values()), differs)

    def count(where):
        sizes = [path.stat().st_size for path in where.rglob("*.parquet")]
        return f"{len(sizes):,} files of {sum(sizes) / 1e6:.1f} MB"

    measured(f"joined by the month in {seconds:.1f} s: {count(lake)} become {count(to)}; DuckDB's seconds: {', '.join(times)}")


def sizes(lake, sessions, readings):
    def size(paths):
        return sum(path.stat().st_size for path in paths)

    stored = size(path for path in lake.rglob("*.parquet"))
    stored_readings = size(lake.glob("readings/*/*/*.parquet"))
    csv_readings = size(sessions.glob("*/readings.csv"))
    received = size(sessions.glob("*/received*.csv"))
    count = len(folders(sessions))
    measured(
        f"{readings:,} readings in {count:,} sessions; bytes a reading: {stored_readings / readings:.2f} in the table"
        f" readings, {stored / readings:.2f} in all tables, {csv_readings / readings:.2f} in readings.csv,"
        f" {received / readings:.2f} in received.csv"
    )
    tables = ", ".join(f"{table} {size(lake.glob(f'{table}/*/*/*.parquet')) / count:,.0f}" for table in engines.TABLES)
    measured(f"bytes a session: {stored / count:,.0f} in the lake ({tables}), {received / count:,.0f} in received.csv")
    return stored / count, received / count


def memory(checks, program, root):
    """Exports an hour and eight hours of one simulated unit at one payload a second."""
    peaks = []
    for hours in [1, 8]:
        made, lake = root / f"hours-{hours}", root / f"hours-{hours}-lake"
        run([program, "demo", "--fault", "none", "--hours", hours, "--speed", "0", "--out", made])
        done = run([program, "export", *folders(made), "--to", lake])
        duck = engines.DuckDB(lake)
        readings = duck.ask("SELECT count(*) AS readings FROM readings")[1][0][0]
        csv = next(made.glob("*/readings.csv")).stat().st_size
        stored = sum(path.stat().st_size for path in lake.glob("readings/*/*/*.parquet"))
        measured(
            f"{hours} h of one unit at one payload a second: {done.seconds:.2f} s, {done.peak_kib / 1024:.1f} MiB at most,"
            f" {readings:,} readings, bytes a reading {stored / readings:.2f} (readings.csv {csv / readings:.2f})"
        )
        peaks.append(done.peak_kib)
    checks.that("memory of the export is bounded: eight hours take at most 24 MiB more than one", peaks[1] < peaks[0] + 24 * 1024, peaks)


def to_s3(checks, program, part, whole, local, root):
    """The same sessions to a stand-in for S3: whole, cut in the middle, and refused."""
    with open(root / "store.log", "w") as log:
        stand_in = store.Store(log)
        try:
            s3_whole(checks, program, part, whole, local, stand_in)
            s3_cut(checks, program, part, whole, stand_in)
            s3_refused(checks, program, part, stand_in)
        finally:
            stand_in.stop()


def digests(objects):
    # A key may hold a name as it is or percent-encoded once more; what engines see is the same.
    return {name: hashlib.sha256(content).hexdigest() for name, content in objects.items()}


def s3_whole(checks, program, part, whole, local, stand_in):
    env = store.environment(stand_in.port)
    done = run([program, "export", *part, "--to", f"s3://{store.BUCKET}/whole"], env)
    held = digests(stand_in.objects("whole"))
    checks.that("the lake on S3 has the same bytes as that in a folder", held == whole, len(held.items() ^ whole.items()))
    measured(f"{len(part)} sessions to the stand-in for S3: {done.seconds / len(part):.3f} s a session")
    duck = engines.DuckDB(f"s3://{store.BUCKET}/whole", httpfs(stand_in.port))
    differs = {}
    for path in engines.QUERIES:
        differs[path.stem] = engines.difference(duck.ask(path.read_text()), local.ask(path.read_text()))
    checks.that("DuckDB answers alike from S3 and from the folder", not any(differs.values()), differs)


def httpfs(port):
    import duckdb_ext

    # A package of parts without a file of its own.
    package = pathlib.Path(next(iter(duckdb_ext.__path__)))
    file = next(package.glob("extensions/*/*/httpfs.duckdb_extension"))
    return [
        f"LOAD '{file}'",
        f"CREATE SECRET (TYPE s3, KEY_ID '{store.KEY[0]}', SECRET '{store.KEY[1]}', REGION '{store.REGION}',"
        f" ENDPOINT '127.0.0.1:{port}', URL_STYLE 'path', USE_SSL false)",
    ]


def s3_cut(checks, program, part, whole, stand_in):
    to = f"s3://{store.BUCKET}/cut"
    total = sum(len(content) for content in stand_in.objects("whole").values())
    cable = store.Cable(stand_in.port, total // 2)
    done = run([program, "export", *part, "--to", to], store.environment(cable.port), ok=False)
    cable.close()
    held = digests(stand_in.objects("cut"))
    told = sum(name.startswith("sessions/") for name in held)
    checks.that("an export whose cable is cut ends with 4 and says so", done.exit == 4 and done.err, (done.exit, done.err))
    print(f"  after {done.seconds:.1f} s: {done.err.strip()[-300:]}")
    checks.that("it was cut in the middle", 0 < told < len(part), told)
    half = half_visible(held, whole)
    checks.that("nothing is half visible after the cut", not half, half[:3])
    run([program, "export", *part, "--to", to], store.environment(stand_in.port))
    held = digests(stand_in.objects("cut"))
    checks.that("a second export completes it", held == whole, len(held.items() ^ whole.items()))


def s3_refused(checks, program, part, stand_in):
    def export(bucket, env):
        done = run([program, "export", part[0], "--to", f"s3://{bucket}/x"], env, ok=False)
        print(f"  exit {done.exit} after {done.seconds:.1f} s: {done.err.strip()[-400:]}")
        return done

    done = export("no-such-bucket", store.environment(stand_in.port))
    says = done.exit == 4 and len(done.err.strip().splitlines()) == 1 and "no-such-bucket is not there" in done.err.replace("/x", "")
    checks.that("a bucket that is not there is said in one line", says, (done.exit, done.err))
    stand_in.ask_for_credentials(True)
    done = export(store.BUCKET, store.environment(stand_in.port, ("AKIAUNKNOWN000000000", "wrong")))
    stand_in.ask_for_credentials(False)
    says = done.exit == 4 and len(done.err.strip().splitlines()) == 1 and "refuses these keys" in done.err
    checks.that("credentials that are refused are said in one line", says, (done.exit, done.err))
    done = export(store.BUCKET, store.environment(store.free_port()))
    says = done.exit == 4 and len(done.err.strip().splitlines()) == 1
    checks.that("a store that is not there is said in one line", says, (done.exit, done.err))


def crowd(checks, program, part, whole, root):
    """Four crews export at once into one lake, each session by two of them."""
    lake, crews = root / "crowd", 4
    processes = []
    for crew in range(crews):
        own = part[crew::crews] + part[(crew + 1) % crews :: crews]
        processes.append(subprocess.Popen([program, "export", *own, "--to", lake], stdout=subprocess.DEVNULL))
    exits = [process.wait(LIMIT_S) for process in processes]
    checks.that("four exports at once into one lake all end well", not any(exits), exits)
    held = files(lake)
    checks.that("and leave what one would have left", held == whole, len(held.items() ^ whole.items()))


def killed(checks, program, part, whole, root):
    """kill -9 of the export at moments spread over its time; then once to the end."""
    lake = root / "killed"
    began = time.monotonic()
    run([program, "export", *part, "--to", root / "not-killed"])
    whole_s = time.monotonic() - began
    seen, half = [], []
    for nth in range(1, 6):
        process = subprocess.Popen([program, "export", *part, "--to", lake], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(0.15 * nth * whole_s)
        process.kill()
        process.wait()
        held = files(lake) if lake.exists() else {}
        seen.append(len({session_of(name) for name in held if name.startswith("sessions/") and seen_by_engines(name)}))
        half += half_visible(held, whole)
    checks.that("the export was killed in the middle", any(0 < count < len(part) for count in seen), seen)
    checks.that("nothing is half visible after kill -9", not half, half[:3])
    run([program, "export", *part, "--to", lake])
    left = [name for name in files(lake) if not seen_by_engines(name)]
    held = {name: digest for name, digest in files(lake).items() if seen_by_engines(name)}
    print(f"  files that the kills left unseen: {len(left)}")
    checks.that("a further export completes what was killed", held == whole, len(held.items() ^ whole.items()))


def told_again(checks, spark, program, sessions, cores):
    """All sessions through the engine once more, by Spark and by one machine."""
    paths = folders(sessions)
    one = run([program, "replay", *paths, "--json"])
    alone, folder = collections.defaultdict(list), None
    for line in one.out.splitlines():
        if line.startswith('{"kind":"session",'):
            folder = pathlib.Path(json.loads(line)["session"]).name
        else:
            alone[folder].append(line)
    began = time.monotonic()
    lines = again.again(spark.session, program, str(sessions), 4 * cores).collect()
    seconds = time.monotonic() - began
    by_spark = collections.defaultdict(list)
    for folder, line in lines:
        by_spark[folder].append(line)
    findings = sum('"kind":"finding"' in line for _, line in lines)
    differ = [name for name in alone.keys() | by_spark.keys() if alone[name] != by_spark[name]]
    same = len(by_spark) == len(paths) and findings > 0 and not differ
    checks.that(f"Spark tells the same {findings} findings as one machine, line by line", same, differ[:3])
    count = len(paths)
    measured(
        f"diagnosed again: {count / seconds:.1f} sessions a second by Spark on {cores} cores, {count / one.seconds:.1f}"
        f" by one `settled replay` on as many; {YEARLY:,} sessions are so {YEARLY * seconds / count / 3600:.1f} h and"
        f" {YEARLY * one.seconds / count / 3600:.1f} h"
    )


def rounded(value):
    """As findings.json has it: six digits."""
    return None if value is None else f"{value:.6g}"


def findings_are_those_of_the_folder(checks, duck, sessions):
    """What the lake says of a session is what its findings.json says."""
    stored = collections.Counter()
    for folder, measure, value, verdict in duck.ask(
        "SELECT s.folder, f.measure, f.value, f.verdict FROM findings f JOIN sessions s ON f.session = s.session"
    )[1]:
        stored[pathlib.Path(folder).name, measure, rounded(value), verdict] += 1
    told = collections.Counter()
    for path in folders(sessions):
        for one in json.loads((path / "findings.json").read_text())["sets"]:
            for finding in one["findings"]:
                key = (path.name, finding["measure"], rounded(finding["value"]), finding["verdict"])
                told[key] += 1
    off = (stored - told) + (told - stored)
    checks.that(f"the lake holds the findings of the folders ({sum(told.values())})", told and not off, list(off)[:3])


def machine():
    model = next((line.split(":", 1)[1].strip() for line in open("/proc/cpuinfo") if line.startswith("model name")), "")
    load = os.getloadavg()
    return f"{os.cpu_count()} cores of {model}, {platform.machine()}, load {load[0]:.1f}"


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("program")
    options.add_argument("maker")
    options.add_argument("--full", action="store_true")
    options.add_argument("--seed", type=int, default=SEED)
    options = options.parse_args()
    program, maker, cores = options.program, options.maker, os.cpu_count()
    count = SESSIONS_FULL if options.full else SESSIONS
    root = ROOT.resolve() / ("full" if options.full else "sample")
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    today = datetime.datetime.now(datetime.UTC).date()
    print(f"{count} sessions, seed {options.seed}, {today}, {machine()}", flush=True)
    checks = Checks()

    sessions, lake = root / "sessions", root / "lake"
    done = run([maker, "--sessions", count, "--seed", options.seed, "--out", sessions])
    measured(f"made {count} sessions in {done.seconds:.1f} s")
    truth = json.loads((sessions / "truth.json").read_text())
    paths = folders(sessions)

    done = run([program, "export", *paths, "--to", lake])
    export_s = done.seconds / count
    measured(f"exported in {done.seconds:.1f} s, {export_s:.4f} s a session, {done.peak_kib / 1024:.1f} MiB at most")
    before = files(lake)
    done = run([program, "export", *paths, "--to", lake])
    checks.that("a second export adds nothing and changes nothing", files(lake) == before)
    measured(f"exported once more, where all was there: {done.seconds:.1f} s")

    answers, spark, duck = ask_both(checks, lake)
    truth_is_told(checks, answers, truth)
    findings_are_those_of_the_folder(checks, duck, sessions)
    joined(checks, duck, answers, lake, root)
    readings, told = duck.ask("SELECT (SELECT count(*) FROM readings), (SELECT count(*) FROM sessions)")[1][0]
    checks.that("all sessions are in the lake", told == count, told)
    stored, received = sizes(lake, sessions, readings)
    measured(
        f"{YEARLY:,} such sessions a year are {YEARLY * stored / 1e9:.1f} GB in the lake and"
        f" {YEARLY * received / 1e9:.1f} GB of records, and {YEARLY * export_s / 3600:.1f} h of export on this machine"
    )
    told_again(checks, spark, program, sessions, cores)
    spark.stop()

    part = paths[:: max(len(paths) // PART, 1)][:PART]
    part_lake = root / "part"
    run([program, "export", *part, "--to", part_lake])
    whole = files(part_lake)
    checks.that("all files of the lake are whole", all(is_parquet((part_lake / name).read_bytes()) for name in whole))
    to_s3(checks, program, part, whole, engines.DuckDB(part_lake), root)
    crowd(checks, program, part, whole, root)
    killed(checks, program, part, whole, root)
    memory(checks, program, root)

    verdict = "ok" if checks.failed == 0 else "FAILED"
    print(f"test result: {verdict}. {checks.passed} passed; {checks.failed} failed")
    raise SystemExit(0 if checks.failed == 0 else 1)


if __name__ == "__main__":
    main()
