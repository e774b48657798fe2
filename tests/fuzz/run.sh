#!/usr/bin/env bash
# Coverage-guided fuzzing on the stable toolchain: the compiler's own coverage pass feeds libFuzzer.
#   tests/fuzz/run.sh TARGET [RUNS] [libFuzzer's options]     one of cutter frames maps sites readings stored; 10000000 runs
# What crashes it lies in target/fuzz/crashes, what it found new in target/fuzz/corpus. To keep few of them that together
# reach every edge that was reached:   tests/fuzz/run.sh keep TARGET
#
# Inputs have at most 512 bytes: two of the longest frames, or a file with something of everything in it. What is longer
# repeats itself; -max_len=4096 tries that too.
set -euo pipefail
cd "$(dirname "$0")/../.."
longest=512
build() {
    # The versions that the program is built of; what only the fuzzer needs is added.
    cp Cargo.lock tests/fuzz/Cargo.lock
    RUSTC_WRAPPER="$PWD/tests/fuzz/instrumented.sh" cargo build --quiet --profile fuzz --target-dir target/fuzz/build \
        --manifest-path tests/fuzz/Cargo.toml --bin "$1"
    # A linker that drops all counters makes a fuzzer that sees nothing. (Not `grep -q`: who stops reading ends the writer.)
    if ! "target/fuzz/build/fuzz/$1" -runs=0 2>&1 | grep -E 'Loaded 1 modules +\([0-9]{4,} ' >/dev/null; then
        echo "$1 was linked without its counters" >&2
        exit 2
    fi
}
if [ "${1:-}" = keep ]; then
    target=$2
    build "$target"
    rm -rf target/fuzz/least
    mkdir -p target/fuzz/least
    "target/fuzz/build/fuzz/$target" -set_cover_merge=1 -use_counters=0 -max_len=$longest target/fuzz/least \
        "tests/fuzz/corpus/$target" "target/fuzz/corpus/$target"
    # What people wrote, to begin from, has a name; what the fuzzer found is named by its hash.
    find "tests/fuzz/corpus/$target" -regextype egrep -regex '.*/[0-9a-f]{12}' -delete
    for found in target/fuzz/least/*; do
        name=$(basename "$found")
        cp "$found" "tests/fuzz/corpus/$target/${name:0:12}"
    done
    exit
fi
target=${1:?which target: cutter frames maps sites readings stored}
runs=${2:-10000000}
shift $(($# > 1 ? 2 : 1))
mkdir -p "target/fuzz/corpus/$target" target/fuzz/crashes
build "$target"
# An input may take five seconds and 512 MiB, no more: behind others on a busy machine, one second was not the input's own.
exec "target/fuzz/build/fuzz/$target" -runs="$runs" -max_len=$longest -timeout=5 -rss_limit_mb=512 \
    -malloc_limit_mb=256 -print_final_stats=1 -artifact_prefix=target/fuzz/crashes/ "$@" \
    "target/fuzz/corpus/$target" "tests/fuzz/corpus/$target"
