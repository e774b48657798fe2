#!/usr/bin/env bash
# Stands before the compiler while fuzz targets are built: our own crates get counters on every edge and every comparison
# (the compiler's own pass, which the stable toolchain has), those of others are compiled as ever.
set -euo pipefail
for argument in "$@"; do
    if [ "${before:-}" = --crate-name ]; then
        case $argument in
        tallywell | tallywell_witness | cutter | frames | maps | sites | readings | stored)
            # Counters lie in sections that nothing names: a linker that collects what nobody names would drop them.
            exec "$@" -C passes=sancov-module \
                -C llvm-args=-sanitizer-coverage-level=4 \
                -C llvm-args=-sanitizer-coverage-inline-8bit-counters \
                -C llvm-args=-sanitizer-coverage-pc-table \
                -C llvm-args=-sanitizer-coverage-trace-compares \
                -C link-arg=-Wl,-z,nostart-stop-gc
            ;;
        esac
    fi
    before=$argument
done
exec "$@"
