#!/usr/bin/env bash
# Passes every test from nothing: installs what the tests need, then runs them. Needs Debian and the Rust toolchain.
#   tests/run.sh            everything that CI runs
#   tests/run.sh --offline  installs nothing, takes what is there
set -euo pipefail
cd "$(dirname "$0")/.."

if [ "${1:-}" != --offline ]; then
    tests/setup.sh
fi
PATH="$PWD/target/peers/bin:$PATH"
export PATH

step() { printf '\n== %s\n' "$*"; }

step "format"
cargo fmt --all --check
step "lints"
cargo clippy --workspace --all-targets --locked -- -D warnings
step "documentation"
RUSTDOCFLAGS="-D warnings" cargo doc --workspace --no-deps --document-private-items --locked --quiet
step "tests"
if cargo nextest --version >/dev/null 2>&1; then
    cargo nextest run --workspace --locked --no-fail-fast
    cargo test --doc --workspace --locked --quiet
else
    cargo test --workspace --locked
fi
