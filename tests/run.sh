#!/usr/bin/env bash
# All tests on a fresh machine: sets itself up in .venv, installs the Debian packages the tests need where it may, then
# style, types and tests. With CI=true nothing may be skipped. Arguments go to pytest.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
# shellcheck source=daemon/environment.sh
. daemon/environment.sh

debian_packages mosquitto chromium victoria-metrics systemd shellcheck \
  libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0
python_environment "[dev,report,archive]"

status=0
step() {
  say "== $1"
  shift
  "$@" || { status=1; say "FAILED: $*"; }
}
step "style" .venv/bin/ruff check --quiet .
step "format" .venv/bin/ruff format --quiet --check .
step "types" .venv/bin/python -m mypy
step "tests" .venv/bin/python -m pytest -n "${LOADBOOK_TEST_JOBS:-2}" --dist loadgroup "$@"
exit $status
