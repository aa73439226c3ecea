#!/bin/sh
# The one test command: lint, types, tests. Installs what is missing, hides no skips.
# Anything after it goes to pytest, for example: sh tests/run.sh tests/safety -k level
set -eu
cd "$(dirname "$0")/.."
EXTRAS=test
. .ci/venv.sh
missing=
for pair in mosquitto:mosquitto mosquitto_sub:mosquitto-clients strace:strace; do
    PATH="$PATH:/usr/sbin" command -v "${pair%%:*}" >/dev/null 2>&1 || missing="$missing ${pair##*:}"
done
if [ -n "$missing" ]; then
    say "Installing$missing for the tests of MQTT and of power cuts ..."
    apt_install $missing || say "Could not install$missing (needs root or sudo); the tests that need it are listed at the end."
fi
PATH="$PATH:/usr/sbin"; export PATH
# Each worker reads every test file: what pytest makes of them is kept beside them, and made once,
# on the second core. What goes wrong in it goes wrong again, and is told, below: all but what was
# asked for and is not there, of which the workers say nothing.
unset PYTHONDONTWRITEBYTECODE
"$PY" -m pytest -q --collect-only "$@" >.venv/collected.log 2>&1 &
trap 'kill $! 2>/dev/null || :' EXIT
say "ruff ..."
.venv/bin/ruff check .
say "mypy --strict ..."
.venv/bin/mypy
wait $! || [ $? != 4 ] || {
    said=$(sed -n 's/^ERROR: [a-z ]*not found: \(.*\)/\1: there is no such file, folder or test; name one that is there./p
        s/^.* error: \(.*\)/pytest: \1; see .venv\/bin\/pytest --help./p' .venv/collected.log)
    say "${said:-$(tail -n 20 .venv/collected.log)}"
    exit 2
}
say "pytest ..."
# One worker more than there are cores: the tests of real processes mostly wait for them.
exec "$PY" -m pytest -q -n "${WORKERS:-$(($(getconf _NPROCESSORS_ONLN) + 1))}" \
    --dist loadscope --no-loadscope-reorder "$@"
