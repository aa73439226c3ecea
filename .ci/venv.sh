# Sourced, not run: makes .venv with what EXTRAS names, and leaves its python in $PY.
# Works from nothing; does nothing when the right things are installed already.
# usage: EXTRAS=test . .ci/venv.sh   (from the project's top folder)

say() { printf '%s\n' "$*" >&2; }

as_root() {  # runs a command as root when that is possible without a question
    if [ "$(id -u)" = 0 ]; then "$@"
    elif command -v sudo >/dev/null 2>&1 && sudo -n true 2>/dev/null; then sudo -n "$@"
    else return 1
    fi
}

apt_install() {  # installs Debian packages quietly; false when that is not possible here
    command -v apt-get >/dev/null 2>&1 || return 1
    as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q "$@" >/dev/null 2>&1 && return 0
    as_root env DEBIAN_FRONTEND=noninteractive apt-get update -q >/dev/null 2>&1 || return 1
    as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -q "$@" >/dev/null 2>&1
}

find_python() {
    for name in "${PYTHON:-}" python3 python3.13 python3.12 python3.11; do
        [ -n "$name" ] || continue
        command -v "$name" >/dev/null 2>&1 || continue
        if "$name" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' 2>/dev/null
        then printf '%s' "$name"; return 0
        fi
    done
    return 1
}

PY=.venv/bin/python
STAMP=.venv/esterward-$EXTRAS
if ! { [ -x "$PY" ] && [ -f "$STAMP" ] && cmp -s pyproject.toml "$STAMP"; }; then
    if ! [ -x "$PY" ]; then
        BASE=$(find_python) || {
            say "Esterward needs Python 3.11, 3.12 or 3.13 and found none; install one, or name it: PYTHON=/path/to/python3"
            exit 2
        }
        say "Making .venv with $($BASE --version) ..."
        if ! "$BASE" -m venv .venv >/dev/null 2>&1; then
            rm -rf .venv
            apt_install python3-venv && "$BASE" -m venv .venv || {
                rm -rf .venv
                say "Python's venv is missing; install it (on Debian: apt install python3-venv) and run this again."
                exit 2
            }
        fi
    fi
    say "Installing Esterward and what it needs (once; a minute or two) ..."
    "$PY" -m pip install -q --disable-pip-version-check -e ".[$EXTRAS]" >.venv/install.log 2>&1 || {
        tail -n 5 .venv/install.log >&2
        say "The packages could not be installed; the whole story is in .venv/install.log. Is there a network?"
        exit 2
    }
    cp pyproject.toml "$STAMP"
fi
