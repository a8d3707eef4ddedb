#!/usr/bin/env bash
# The tests on real SocketCAN, in a virtual machine: first on virtual buses, then on two emulated controllers.
# Arguments go to the test program: tests/live/run.sh hearing
# TONERING_CORPUS names a folder of captures that are played, too; TONERING_LIVE_ALL=1 takes the time for everything.
set -euo pipefail
cd "$(dirname "$0")/../.."
host=$(rustc -vV | sed -n 's/^host: //p')
runner=CARGO_TARGET_$(echo "$host" | tr a-z- A-Z_)_RUNNER
vm=$PWD/tests/live/socketcan-vm.sh

# Built here, for there is little memory in the guest.
cargo test --profile quick --test live --no-run
tests() { cargo test --profile quick --test live -- "$@"; }
virtual() { env TONERING_LIVE=virtual "$runner=$vm --" cargo test --profile quick --test live -- "$@"; }
controllers() {
  # One at a time: all share the two controllers.
  env TONERING_LIVE=controllers "$runner=$vm --controllers --" cargo test --profile quick --test live -- --test-threads 1 "$@"
}
if [ $# -gt 0 ]; then
  virtual "$@"
  controllers "$@"
  exit
fi

# The timing of what is played is looked at, so this has the guest for itself. What was heard is compared out here, where the
# processor is twenty times as fast.
played=a_capture_that_is_played
heard=$(mktemp -d)
trap 'rm -rf "$heard"' EXIT
env TONERING_LIVE=virtual TONERING_REPLAYED="$heard" SOCKETCAN_VM_TIMEOUT=900 "$runner=$vm --share $heard --" \
  cargo test --profile quick --test live -- "$played" --nocapture
TONERING_REPLAYED=$heard tests "$played" --nocapture

# ISO 15765-2 gives up after a second without a frame, and never sends anything twice. A guest under emulation can be starved for longer, and with two
# processors a message sometimes is not sent back (one frame may overtake another then, src/link/order.rs): so the test with the most messages has one
# processor for itself and a second try, and what fails among the others has to pass alone.
alone=payloads_of_all_lengths
exchange() { SOCKETCAN_VM_CPUS=1 virtual "$alone"; }
exchange || exchange
SOCKETCAN_VM_TIMEOUT=600 virtual --skip "$alone" --skip "$played" || {
  echo "once more, one test at a time"
  SOCKETCAN_VM_TIMEOUT=1200 virtual --test-threads 1 --skip "$alone" --skip "$played"
}
controllers
tests hours --ignored --nocapture

# The screens, drawn by a terminal emulator in Python.
python=target/screens/bin/python
if [ ! -x $python ]; then
  python3 -m venv target/screens && target/screens/bin/pip install --quiet pyte==0.8.2
fi
"$vm" -- "$PWD/$python" tests/live/screens.py "$PWD/target/quick/tonering"
