#!/usr/bin/env bash
# Exports sessions of an invented fleet, asks two engines about them, and cuts the export in the middle:
#
#   tests/lake/run.sh PROGRAM MAKER            50 sessions
#   tests/lake/run.sh PROGRAM MAKER --full     2,000 (results belong in tests/results/lake.md)
#
# PROGRAM is `settled` built with the feature `lake`, MAKER the example `virtual-sessions`. The engines and a
# stand-in for S3 come from PyPI, at the versions of requirements.txt, into target/lake/. Spark needs Java 17.
# Exit code 77: not run, and why.
set -euo pipefail
cd "$(dirname "$0")/../.."

usage="usage: tests/lake/run.sh PROGRAM MAKER [--full]"
program=$(realpath "${1:?$usage}")
maker=$(realpath "${2:?$usage}")
shift 2
cache=target/lake

fail() { echo "FAILED: the lake by two engines: $1" >&2; exit 1; }
command -v python3 >/dev/null || fail "python3 is missing; install it (Debian: python3 python3-venv)"
command -v java >/dev/null || fail "java is missing, which Spark needs; install it (Debian: default-jre-headless)"
"$program" export --help >/dev/null 2>&1 ||
    fail "$program has no command export; build it with --features lake"

mkdir -p $cache
if ! cmp -s tests/lake/requirements.txt $cache/requirements.txt; then
    rm -rf $cache/venv
    python3 -m venv $cache/venv || fail "python3 cannot make a venv; install it (Debian: python3-venv)"
    if ! $cache/venv/bin/pip install --quiet --disable-pip-version-check -r tests/lake/requirements.txt; then
        echo "NOT RUN: the lake by two engines, because PyPI cannot be reached for tests/lake/requirements.txt"
        exit 77
    fi
    cp tests/lake/requirements.txt $cache/requirements.txt
fi
exec $cache/venv/bin/python tests/lake/run.py "$program" "$maker" "$@"
