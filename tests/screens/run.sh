#!/usr/bin/env bash
# The dialogue of `diagnose --ask` as a person sees it, on a pseudo-terminal drawn by pyte. Argument: the program, or none to build it.
set -euo pipefail
cd "$(dirname "$0")/../.."
program=${1:-target/quick/tonering}
[ $# -gt 0 ] || cargo build --profile quick --quiet
python=target/screens/bin/python
[ -x "$python" ] || { python3 -m venv target/screens && target/screens/bin/pip install --quiet pyte==0.8.2; }
"$python" tests/screens/ask.py "$program"
