"""Two engines over one lake: the same views, the same SQL text, and a comparison of what they answer."""

import datetime
import math
import pathlib

TABLES = ["sessions", "probes", "readings", "moments", "cycles", "sets", "findings", "suspects", "events"]
QUERIES = sorted((pathlib.Path(__file__).parent / "queries").glob("*.sql"))

# Sums come in any order, so their last digits differ; all that is compared was computed by the same formulas.
RELATIVE = 1e-9
ABSOLUTE = 1e-9


def view(raw):
    """A session counts once its row in `sessions` is there: export writes that row last."""
    return f"SELECT * FROM {raw} WHERE session IN (SELECT session FROM sessions_as_stored)"


class DuckDB:
    """DuckDB, embedded in this process."""

    def __init__(self, lake, setup=()):
        import duckdb

        self.connection = duckdb.connect()
        # No answer depends on the machine's zone; Spark is told the same.
        for statement in ["SET TimeZone = 'UTC'", *setup]:
            self.connection.execute(statement)
        for table in TABLES:
            files = f"{lake}/{table}/**/*.parquet"
            self.connection.execute(
                f"CREATE VIEW {table}_as_stored AS"
                f" SELECT * FROM read_parquet('{files}', hive_partitioning = true)"
            )
            self.connection.execute(f"CREATE VIEW {table} AS {view(table + '_as_stored')}")

    def ask(self, sql):
        answer = self.connection.execute(sql).arrow()
        table = answer.read_all() if hasattr(answer, "read_all") else answer
        return table.column_names, [tuple(row.values()) for row in table.to_pylist()]


class Spark:
    """Spark in local mode: a driver and its workers on this machine, over the same files."""

    def __init__(self, lake, cores=2):
        from pyspark.sql import SparkSession

        self.session = (
            SparkSession.builder.master(f"local[{cores}]")
            .appName("settled-lake")
            .config("spark.ui.enabled", "false")
            .config("spark.driver.bindAddress", "127.0.0.1")
            .config("spark.driver.host", "127.0.0.1")
            .config("spark.driver.memory", "2g")
            .config("spark.sql.session.timeZone", "UTC")
            .config("spark.sql.shuffle.partitions", str(2 * cores))
            .config("spark.ui.showConsoleProgress", "false")
            # Files are listed here and not by a job of its own, which costs more for some thousands.
            .config("spark.sql.sources.parallelPartitionDiscovery.threshold", "100000")
            .getOrCreate()
        )
        self.session.sparkContext.setLogLevel("ERROR")
        for table in TABLES:
            frame = self.session.read.parquet(f"{lake}/{table}")
            frame.createOrReplaceTempView(f"{table}_as_stored")
        for table in TABLES:
            self.session.sql(view(f"{table}_as_stored")).createOrReplaceTempView(table)

    def ask(self, sql):
        frame = self.session.sql(sql)
        return frame.columns, [tuple(row) for row in frame.collect()]

    def stop(self):
        self.session.stop()


def plain(value):
    """A value as both engines mean it: a moment in UTC without a zone, a number as a float."""
    if isinstance(value, datetime.datetime):
        return value.astimezone(datetime.UTC).replace(tzinfo=None) if value.tzinfo else value
    if isinstance(value, (bool, str, datetime.date)) or value is None:
        return value
    return float(value)


def same(one, other):
    one, other = plain(one), plain(other)
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=RELATIVE, abs_tol=ABSOLUTE)
    return type(one) is type(other) and one == other


def difference(one, other):
    """What differs first between two answers, in words; None where nothing does. Order counts."""
    (columns, rows), (other_columns, other_rows) = one, other
    if columns != other_columns:
        return f"columns {columns} and {other_columns}"
    if len(rows) != len(other_rows):
        return f"{len(rows)} and {len(other_rows)} rows"
    for number, (row, other_row) in enumerate(zip(rows, other_rows), 1):
        for name, value, other_value in zip(columns, row, other_row):
            if not same(value, other_value):
                return f"row {number}, {name}: {value!r} and {other_value!r}"
    return None
