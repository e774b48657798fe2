#!/usr/bin/env bash
# Installs what the tests need beside the Rust toolchain: independent Modbus peers, a broker, a browser, readers of metrics.
# Everything comes from Debian's packages and from PyPI; the Python peers live in target/peers, nowhere else.
set -euo pipefail
cd "$(dirname "$0")/.."

packages=(chromium dpkg-dev faketime fish gcc libc6-dev libmodbus-dev mosquitto mosquitto-clients openssl pkg-config prometheus python3 python3-venv socat systemd zsh)
missing=()
for package in "${packages[@]}"; do
    dpkg-query -W -f='${Status}' "$package" 2>/dev/null | grep -q 'ok installed' || missing+=("$package")
done
if [ "${#missing[@]}" -gt 0 ]; then
    as_root=()
    [ "$(id -u)" -eq 0 ] || as_root=(sudo)
    "${as_root[@]}" apt-get update -qq
    "${as_root[@]}" env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "${missing[@]}"
fi

if [ ! -x target/peers/bin/python3 ] || ! cmp -s tests/peers/requirements.txt target/peers/installed.txt; then
    mkdir -p target
    rm -rf target/peers
    /usr/bin/python3 -m venv target/peers
    target/peers/bin/pip install --quiet --disable-pip-version-check -r tests/peers/requirements.txt
    cp tests/peers/requirements.txt target/peers/installed.txt
fi

for peer in libmodbus_slave libmodbus_master libmodbus_poller libmodbus_controller; do
    if [ "tests/peers/$peer.c" -nt "target/peers/bin/$peer" ]; then
        # shellcheck disable=SC2046 # the flags are words
        gcc -Wall -Wextra -O1 -o "target/peers/bin/$peer" "tests/peers/$peer.c" $(pkg-config --cflags --libs libmodbus)
    fi
done

# The tool that makes the Debian package.
if [ ! -x target/tools/bin/cargo-deb ]; then
    cargo install --quiet --locked --root target/tools --no-default-features --features gzip cargo-deb@3.8.0
fi
