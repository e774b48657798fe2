#!/usr/bin/env bash
# Adds recorded readings to the corpus, beside the answer that they must get, and runs it.
#   tests/corpus/add.sh FOLDER NAME METER VERDICT CAUSE ["about the recording"]
# FOLDER holds site.toml, the maps that it names (in it or in maps/), and METER.csv for each meter that was recorded.
# VERDICT is agree, disagree or undecided; CAUSE is the code that must come first.
# THIN=5 keeps every fifth reading only: a case should stay below some 60 kB.
set -euo pipefail
[ $# -ge 5 ] || { sed -n '2,6s/^# //p' "$0" >&2; exit 2; }
from=$1 name=$2 meter=$3 verdict=$4 cause=$5 about=${6:-}
[ -f "$from/site.toml" ] || { echo "$from holds no site.toml" >&2; exit 2; }
[ -f "$from/$meter.csv" ] || { echo "$from holds no $meter.csv, the readings of $meter" >&2; exit 2; }
corpus=$(cd "$(dirname "$0")" && pwd)
to=$corpus/$name
[ ! -e "$to" ] || { echo "$to is there already: choose another name" >&2; exit 2; }
mkdir -p "$to"
(cd "$from" && find . -maxdepth 2 -name '*.toml' ! -name expected.toml -exec cp --parents {} "$to" \;)
for table in "$from"/*.csv; do
    awk -v thin="${THIN:-1}" 'NR == 1 || (NR - 2) % thin == 0' "$table" > "$to/$(basename "$table")"
done
printf 'about = "%s"\nmeter = "%s"\nverdict = "%s"\ncause = "%s"\n' "$about" "$meter" "$verdict" "$cause" > "$to/expected.toml"
du -sh "$to"
cd "$corpus/../.."
[ -n "${NO_TEST:-}" ] || cargo test --quiet --test explain every_recording
