#!/usr/bin/env bash
# The demo on a fresh machine: sets itself up in .venv, then runs `loadbook demo` with the arguments given here.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/.."
# shellcheck source=daemon/environment.sh
. daemon/environment.sh
python_environment ""
exec .venv/bin/loadbook demo "$@"
