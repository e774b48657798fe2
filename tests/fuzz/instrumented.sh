#!/usr/bin/env bash
# Stands before the compiler while fuzz targets are built: our own crates get counters on every edge and every comparison
# (the compiler's own pass, which the stable toolchain has), those of others are compiled as ever.
set -euo pipefail
for argument in "$@"; do
    if [ "${before:-}" = --crate-name ]; then
        case $argument in
        tallywell | tallywell_witness | cutter | frames | maps | sites | readings | stored)
            # The linker keeps the counters of the functions that it keeps, which is as it should be: each input costs a look
            # at every counter there is.
            exec "$@" -C passes=sancov-module \
                -C llvm-args=-sanitizer-coverage-level=4 \
                -C llvm-args=-sanitizer-coverage-inline-8bit-counters \
                -C llvm-args=-sanitizer-coverage-pc-table \
                -C llvm-args=-sanitizer-coverage-trace-compares
            ;;
        esac
    fi
    before=$argument
done
exec "$@"
