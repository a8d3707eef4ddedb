#!/bin/sh
# Makes the pictures of the README again from a demo capture: report.png with a headless Chromium ($CHROMIUM, or chromium on
# the path), terminal.svg from what the program prints on a terminal of 88 columns.
# Usage: docs/images/make.sh
set -eu
here=$(cd "$(dirname "$0")" && pwd)
cd "$here/../.."
cargo build --quiet
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
demo=captures/weak-signal
set -- diagnose $demo/drive.log.gz --profile $demo/profile.yaml --notes $demo/notes.yaml

target/debug/tonering "$@" --format html --output "$work/report.html"
"${CHROMIUM:-chromium}" --headless --no-sandbox --disable-gpu --hide-scrollbars --window-size=1180,900 \
    --user-data-dir="$work/profile" --screenshot="$here/report.png" "file://$work/report.html" 2>/dev/null

python3 "$here/terminal.py" 24 target/debug/tonering "$@" >"$here/terminal.svg"
ls -l "$here"
