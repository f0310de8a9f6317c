#!/bin/sh
# Installs Kitwright into .venv/tests and runs every gate, even if one fails; exits 1 if any did. With arguments it runs
# only pytest, with these arguments. Needs Python 3.11 or newer; the first time, packages.
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd)
. "$root/.lock/venv.sh"
ready_venv tests tests.txt oracles.alone.txt
cd "$root"

if [ $# -gt 0 ]; then
    exec "$python" -m pytest "$@"
fi

failed=
gate() {
    headline=$1
    shift
    printf '\n== %s\n' "$headline"
    "$@" || failed="$failed
  $headline"
}

kept=$(mktemp -d)
trap 'rm -rf "$kept"' EXIT
# types take longest: they are checked beside the other gates, and told in their turn
"$python" -m mypy >"$kept/types" 2>&1 &
checked=$!
types() {
    code=0
    wait "$checked" || code=$?
    cat "$kept/types"
    return "$code"
}

gate 'lint (ruff check)' "$python" -m ruff check
gate 'format (ruff format)' "$python" -m ruff format --check
gate 'import directions (import-linter)' "$root/.venv/tests/bin/lint-imports" --no-logo
gate 'catalogue (kitwright check-catalog)' "$python" -m kitwright check-catalog
gate 'wire contract (kitwright openapi --check)' "$python" -m kitwright openapi --check
gate 'types (mypy)' types
# one more than there are processors, because many tests wait for a service or a deadline; what is done stays in files'
# order, so that tests of a file share what is made for it
workers=$("$python" -c 'import os; print(1 + (os.cpu_count() or 1))')
gate 'tests (pytest)' "$python" -m pytest -n "$workers" --dist worksteal

if [ -n "$failed" ]; then
    printf '\nfailed:%s\n' "$failed"
    exit 1
fi
