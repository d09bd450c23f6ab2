#!/usr/bin/env bash
# Prints what packdrift costs beside what people would otherwise use, whole processes in one run:
#
#     benches/side_by_side.sh                 # everything, about a quarter of an hour
#     benches/side_by_side.sh intake import   # these rows
#
# Needs Mosquitto (tests/run installs it) and Python 3.10 or newer with venv.
set -euo pipefail
cd "$(dirname "$0")/.."

tools=target/tools
[ -x "$tools/bin/pip" ] || python3 -m venv "$tools"
"$tools/bin/pip" install --quiet --disable-pip-version-check -r benches/yardsticks/requirements.txt
cargo bench --locked --bench side_by_side -- "$@"
