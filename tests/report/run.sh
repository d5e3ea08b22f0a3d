#!/usr/bin/env bash
# Makes reports and looks at them as paper and as pages: tests/report/run.sh PROGRAM
#
# The HTML is judged by the Nu Html Checker, the page by axe-core in Debian's Chromium with the
# network off; printed on A4 and Letter, no word may lie beyond the margins, and the owner's part is
# one sheet. What npm has comes at the versions below, into target/. Exit code 77: not run, and why.
# Reports, PDFs and pictures of their pages are left in target/report-check/.
set -euo pipefail
cd "$(dirname "$0")/../.."

program=$(realpath "${1:?usage: tests/report/run.sh PROGRAM}")
chromium=${CHROMIUM:-chromium}
cache=target/report-check
packages=(playwright-core@1.65.1 axe-core@4.14.1 vnu-jar@26.9.27)

not_run() { echo "NOT RUN: reports as paper, because $1"; exit 77; }
command -v node >/dev/null || not_run "node is missing; install nodejs (20 or newer)"
command -v npm >/dev/null || not_run "npm is missing; install it with nodejs"
command -v "$chromium" >/dev/null || not_run "chromium is missing; install it (Debian: chromium)"
command -v java >/dev/null || not_run "java is missing; install it (Debian: default-jre-headless)"
command -v pdftotext >/dev/null || not_run "pdftotext is missing; install it (Debian: poppler-utils)"

mkdir -p $cache
if [ "$(cat $cache/packages 2>/dev/null)" != "${packages[*]}" ]; then
    (cd $cache && echo '{"private":true}' >package.json &&
        npm install --no-save --no-package-lock --no-audit --no-fund --ignore-scripts --loglevel=error \
            "${packages[@]}" >/dev/null) || not_run "npm cannot be reached for ${packages[*]}"
    echo "${packages[*]}" >$cache/packages
fi

made=$cache/made
rm -rf $made
mkdir -p $made/sessions
# A night with a fault on an A2L refrigerant would need a switch that demo does not have; the night
# here is the usual unit's, with a condenser that gets too little air.
"$program" demo --fault condenser-fouling --metering txv --hours 6 --out $made/sessions >/dev/null
night=$(echo $made/sessions/*)
"$program" report fixtures/bakery-low-charge -o $made/bakery.html >/dev/null
"$program" report fixtures/laboratory-day -o $made/laboratory.html >/dev/null
"$program" report "$night" -o $made/night.html >/dev/null
"$program" report "$night" --for owner -o $made/owner.html >/dev/null
"$program" compare fixtures/bakery-low-charge "$night" -o $made/compare.html >/dev/null
for picture in run visit night duty trend pressure-enthalpy; do
    "$program" picture "$night" --of $picture -o $made/$picture.svg >/dev/null
done

java -jar $cache/node_modules/vnu-jar/build/dist/vnu.jar --errors-only --also-check-svg $made/*.html $made/*.svg
echo "the Nu Html Checker finds no error"
CHROMIUM=$(command -v "$chromium") CACHE=$PWD/$cache exec node tests/report/paper.mjs $made
