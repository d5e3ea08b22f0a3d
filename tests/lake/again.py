"""A worked example: the same engine over all records once more, on as many machines as Spark has.

    spark-submit tests/lake/again.py PROGRAM SESSIONS OUT

SESSIONS is a folder, or any store that Spark reads, with one folder a session in it. The record is read by Spark; each
worker gets the program and a session's files, replays them as one machine would, and gives the lines that `settled
replay --json` prints. A new version of the core is so asked about every visit there ever was.
"""

import os
import pathlib
import subprocess
import sys
import tempfile
import urllib.parse

# What is the truth of a session; all else is made from it.
RECORD = "{session.toml,received*.csv}"


def again(spark, program, sessions, partitions):
    """An RDD of (session's folder, line of JSON), sessions in any order and each one's lines in theirs."""
    # Workers elsewhere have neither the program nor this file.
    spark.sparkContext.addFile(program)
    spark.sparkContext.addPyFile(__file__)
    name = pathlib.Path(program).name
    files = spark.read.format("binaryFile").option("pathGlobFilter", RECORD).load(f"{sessions}/*")
    by_session = files.select("path", "content").rdd.map(place).groupByKey(partitions)
    return by_session.mapPartitions(lambda part: replay_all(name, part))


def place(row):
    """(folder, (file, bytes)) of a file that Spark read; its paths are those of a URI."""
    folder, file = urllib.parse.unquote(row.path).split("/")[-2:]
    return folder, (file, bytes(row.content))


def replay_all(name, part):
    """Runs on a worker, once a partition."""
    from pyspark import SparkFiles

    program = SparkFiles.get(name)
    for folder, files in part:
        with tempfile.TemporaryDirectory() as made:
            for file, content in files:
                pathlib.Path(made, file).write_bytes(content)
            done = subprocess.run([program, "replay", made, "--json"], capture_output=True, text=True, check=False)
            if done.returncode != 0:
                raise RuntimeError(f"{folder}: {done.stderr.strip()}")
            for line in done.stdout.splitlines():
                yield folder, line


def main():
    if len(sys.argv) != 4:
        raise SystemExit(__doc__)
    from pyspark.sql import SparkSession

    program, sessions, out = sys.argv[1:]
    spark = SparkSession.builder.appName("settled-again").getOrCreate()
    partitions = max(4 * spark.sparkContext.defaultParallelism, 1)
    lines = again(spark, os.path.abspath(program), sessions, partitions)
    lines.map("\t".join).saveAsTextFile(out)
    spark.stop()


if __name__ == "__main__":
    main()
