#!/usr/bin/env bash
# The tests on real SocketCAN, in a virtual machine: first on virtual buses, then on two emulated controllers.
# Arguments go to the test program: tests/live/run.sh hearing
set -euo pipefail
cd "$(dirname "$0")/../.."
host=$(rustc -vV | sed -n 's/^host: //p')
runner=CARGO_TARGET_$(echo "$host" | tr a-z- A-Z_)_RUNNER
vm=$PWD/tests/live/socketcan-vm.sh

# Built here, for there is little memory in the guest.
cargo test --profile quick --test live --no-run
env TONERING_LIVE=virtual "$runner=$vm --" cargo test --profile quick --test live -- "$@"
# One at a time: all share the two controllers.
env TONERING_LIVE=controllers "$runner=$vm --controllers --" cargo test --profile quick --test live -- --test-threads 1 "$@"
