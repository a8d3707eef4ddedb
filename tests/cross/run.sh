#!/usr/bin/env bash
# Second opinions: traffic made by general-purpose libraries, decoded by the program, compared field by field.
# `tests/cross/run.sh` builds the program and an environment under target/cross; about four minutes on two cores.
set -euo pipefail
cd "$(dirname "$0")/../.."

if [ -z "${TONERING:-}" ]; then
  cargo build --release --quiet
  export TONERING="$PWD/target/release/tonering"
fi

environment=target/cross
if ! cmp --silent tests/cross/requirements.txt "$environment/requirements.txt"; then
  python3 -m venv "$environment"
  "$environment/bin/pip" install --quiet --disable-pip-version-check --requirement tests/cross/requirements.txt
  cp tests/cross/requirements.txt "$environment/requirements.txt"
fi

for step in posterior transport services lossy unnamed doip reverse fleet wheels; do
  "$environment/bin/python" "tests/cross/$step.py"
done
