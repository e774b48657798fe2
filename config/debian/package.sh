#!/usr/bin/env bash
# Makes the Debian package: config/debian/package.sh [--debug] [FOLDER]. The package lies in FOLDER, or in target/debian.
# Needs cargo-deb (`cargo install cargo-deb`; tests/setup.sh puts it into target/tools). With --debug the debug build that is
# there is packed, which is enough to try the package.
set -euo pipefail
cd "$(dirname "$0")/../.."

profile=release
if [ "${1:-}" = --debug ]; then
    profile=debug
    shift
else
    cargo build --release --locked --package tallywell
fi
output=${1:-target/debian}
target=${CARGO_TARGET_DIR:-target}
program=$target/$profile/tallywell

# What the program itself says about its commands is where help, manual and completions come from.
generated=target/package
rm -rf "$generated"
mkdir -p "$generated/man" "$generated/completions" "$output"
"$program" manual "$generated/man"
gzip -9n "$generated"/man/*.1
for shell in bash zsh fish; do
    "$program" completions "$shell" >"$generated/completions/tallywell.$shell"
done

PATH="$PWD/target/tools/bin:$PATH"
arguments=(--no-build --locked --package tallywell --output "$output/")
[ "$profile" = release ] || arguments+=(--profile dev --fast)
cargo deb "${arguments[@]}"
