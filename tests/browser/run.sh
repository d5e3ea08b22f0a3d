#!/usr/bin/env bash
# Opens the pages in a real browser and looks at them: tests/browser/run.sh PROGRAM
#
# The browser is Debian's Chromium; what drives it and what judges accessibility come from npm, at
# the versions below, into target/. Exit code 77: not run, and why. Pictures are left in
# target/browser/shots/.
set -euo pipefail
cd "$(dirname "$0")/../.."

program=${1:?usage: tests/browser/run.sh PROGRAM}
chromium=${CHROMIUM:-chromium}
cache=target/browser
packages=(playwright-core@1.65.1 axe-core@4.14.1)

not_run() { echo "NOT RUN: the pages in a browser, because $1"; exit 77; }
command -v node >/dev/null || not_run "node is missing; install nodejs (20 or newer)"
command -v npm >/dev/null || not_run "npm is missing; install it with nodejs"
command -v "$chromium" >/dev/null || not_run "chromium is missing; install it (Debian: chromium)"

mkdir -p $cache
if [ "$(cat $cache/packages 2>/dev/null)" != "${packages[*]}" ]; then
    (cd $cache && echo '{"private":true}' >package.json &&
        npm install --no-save --no-package-lock --no-audit --no-fund --ignore-scripts --loglevel=error \
            "${packages[@]}" >/dev/null) || not_run "npm cannot be reached for ${packages[*]}"
    echo "${packages[*]}" >$cache/packages
fi
CHROMIUM=$(command -v "$chromium") CACHE=$PWD/$cache exec node tests/browser/pages.mjs "$program"
