#!/bin/sh
# From nothing to one whole batch on the simulator. Needs no hardware.
set -eu
cd "$(dirname "$0")/.."
EXTRAS=sim
. .ci/venv.sh
exec .venv/bin/esterward rehearse sim/scenarios/demo/batch.toml \
    --speed "${SPEED:-1500}" --broker embedded "$@"
