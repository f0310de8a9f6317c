#!/bin/sh
# Installs Kitwright into .venv/demo and runs the demo, from any folder. Needs Python 3.11 or newer; the first time, packages.
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/.lock/venv.sh"
ready_venv demo runtime.txt build.txt
cd "$root"
exec "$python" -m demo.run "$@"
