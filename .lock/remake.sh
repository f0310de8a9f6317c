#!/bin/sh
# Remakes the locks beside this file from pyproject.toml. Versions stay as they are where they still fit; to renew:
#   sh .lock/remake.sh --upgrade
#   sh .lock/remake.sh --upgrade-package litestar
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/.lock/venv.sh"

# Any recent uv does; it has its own environment because nothing else needs it.
uv=$root/.venv/lock/bin/uv
if ! [ -x "$uv" ]; then
    base=$(find_python)
    "$base" -m venv "$root/.venv/lock"
    "$root/.venv/lock/bin/python" -m pip install -qq --disable-pip-version-check 'uv>=0.13'
fi

cd "$root"
lock() {
    output=$1
    shift
    # One file for every platform and Python. No address of a registry: pip takes the packages from wherever it is set to.
    "$uv" pip compile --quiet --universal --python-version 3.11 --fork-strategy fewest --generate-hashes \
        --no-emit-index-url --no-emit-find-links --custom-compile-command 'sh .lock/remake.sh' \
        --output-file ".lock/$output" "$@" >/dev/null
}
lock tests.txt pyproject.toml --group tests "$@"
# The same versions as in the tests, so that what runs is what was tested.
lock runtime.txt pyproject.toml --constraints .lock/tests.txt
lock build.txt --group build --constraints .lock/tests.txt
# The library that checks beliefs asks for 300 MB that its import never loads.
lock oracles.alone.txt --group oracles --no-deps "$@"
