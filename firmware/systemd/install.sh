#!/bin/sh
# Installs Esterward on Raspberry Pi OS, from this clone. Run as root: sudo sh firmware/systemd/install.sh
# Starts nothing and enables nothing; run it again for an update, between two batches. Not tried on a board yet.
# DESTDIR puts every file below another folder (for the tests); then no user or unit is touched.
set -eu
cd "$(dirname "$0")/../.."
ROOT=${DESTDIR:-}
HOME_DIR=$ROOT/opt/esterward
CONFIG=$ROOT/etc/esterward
UNITS=firmware/systemd

say() { printf '%s\n' "$*"; }
stop() { printf 'install: %s\n' "$*" >&2; exit 2; }

[ -n "$ROOT" ] || [ "$(id -u)" = 0 ] || stop "this needs root: sudo sh $UNITS/install.sh"
command -v apt-get >/dev/null 2>&1 || stop "there is no apt-get; this script is for Raspberry Pi OS, see docs/how-to/install-on-a-pi.md for the steps."
for unit in esterward-run esterward-guard; do
    case $(systemctl is-active $unit 2>/dev/null || :) in
    active | activating | reloading | deactivating)
        stop "$unit is running, and its program must not be replaced under it; nothing was changed. When no batch is under way (the last one of 'esterward record list' has ended): sudo systemctl stop esterward-run esterward-guard, then this again. In the middle of a batch let it end first (docs/how-to/install-on-a-pi.md, An update)." ;;
    esac
done
[ "$(uname -m)" = aarch64 ] || say "note: this machine is $(uname -m); Esterward is meant for the 64-bit system (aarch64)."

say "Installing python3-lgpio and python3-venv from the distribution ..."
apt-get install -y -q python3-lgpio python3-venv
PYTHON=/usr/bin/python3   # the one python3-lgpio belongs to, not another one in PATH
[ -n "$ROOT" ] && PYTHON=python3
"$PYTHON" -c 'import sys; sys.exit(not (3, 11) <= sys.version_info < (3, 14))' || stop "$PYTHON is $("$PYTHON" --version); Python 3.11 to 3.13 is needed."

say "Installing Esterward into /opt/esterward ..."
[ -x "$HOME_DIR/bin/python" ] || "$PYTHON" -m venv --system-site-packages "$HOME_DIR"
"$HOME_DIR/bin/python" -m pip install -q --disable-pip-version-check --upgrade .
mkdir -p "$HOME_DIR/share"
cp -R docs wiring "$HOME_DIR/share/"

install -d -m 0755 "$CONFIG" "$ROOT/etc/systemd/system" "$ROOT/etc/sysusers.d" "$ROOT/etc/tmpfiles.d"
install -m 0644 $UNITS/esterward-guard.service $UNITS/esterward-run.service "$ROOT/etc/systemd/system/"
install -m 0644 $UNITS/esterward.sysusers "$ROOT/etc/sysusers.d/esterward.conf"
install -m 0644 $UNITS/esterward.tmpfiles "$ROOT/etc/tmpfiles.d/esterward.conf"
for pair in firmware/config/reactor.toml:0644 firmware/config/batch.toml:0644 $UNITS/run.env:0600; do
    file=${pair%:*}
    [ -e "$CONFIG/${file##*/}" ] && continue  # yours is kept
    install -m "${pair##*:}" "$file" "$CONFIG/"
    # The example's probes were compared; yours were not (bring-up, step B5).
    sed -i 's/^checked = true /checked = false/' "$CONFIG/${file##*/}"
done
"$HOME_DIR/bin/esterward" guard --prepare --reactor "$CONFIG/reactor.toml" --config "$CONFIG/guard.json" ||
    say "note: guard.json was not written; mend reactor.toml and prepare it again."

if [ -z "$ROOT" ]; then
    systemd-sysusers
    systemd-tmpfiles --create /etc/tmpfiles.d/esterward.conf
    systemctl daemon-reload
fi

say "
Installed; nothing was started. Next, in this order:
 1. Write your reactor into /etc/esterward/reactor.toml.
 2. sudo /opt/esterward/bin/esterward guard --prepare --reactor /etc/esterward/reactor.toml --config /etc/esterward/guard.json
 3. /opt/esterward/bin/esterward wiring --reactor /etc/esterward/reactor.toml: the wires, and the lines
    for /boot/firmware/config.txt; restart; then wiring --check until no line says FIX.
 4. Every step of /opt/esterward/share/wiring/bring-up.md, with a meter, without methanol.
 5. sudo systemctl enable --now esterward-guard esterward-run
    What it asks: journalctl -fu esterward-run
Mains is for licensed people, local codes come first, and software on one board earns no safety
credit: the reactor must be safe with this computer unplugged."
