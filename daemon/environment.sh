# shellcheck shell=bash
# Sourced by daemon/demo.sh and tests/run.sh, from the top of a checkout: a Python environment in .venv with the project
# in it, and Debian packages where they may be installed.

say() { printf '%s\n' "$*" >&2; }

die() {
  say "$*"
  exit 2
}

# Run a command as root: as we are, or through sudo where it asks for no password. Fails where neither is possible.
as_root() {
  if [ "$(id -u)" -eq 0 ]; then
    "$@"
  elif command -v sudo >/dev/null && sudo -n true 2>/dev/null; then
    sudo -n "$@"
  else
    return 1
  fi
}

_installed() { [ "$(dpkg-query -W -f '${db:Status-Status}' "$1" 2>/dev/null)" = installed ]; }

# Install those of the named Debian packages that are missing, one at a time, without starting what they bring.
# Whatever cannot be had is said and left out: the caller decides what it can do without.
debian_packages() {
  local missing=() package
  command -v apt-get >/dev/null || { say "No apt-get here: going on without Debian packages."; return 0; }
  for package in "$@"; do _installed "$package" || missing+=("$package"); done
  [ ${#missing[@]} -gt 0 ] || return 0
  if ! as_root true; then
    say "May not install Debian packages (not root, no sudo without a password); missing: ${missing[*]}"
    return 0
  fi
  say "Installing Debian packages: ${missing[*]}"
  as_root apt-get update -qq || say "apt-get update failed; trying with the lists as they are."
  local policy=/usr/sbin/policy-rc.d ours=no
  if [ ! -e "$policy" ]; then # a test needs the broker's program, not a broker that runs on this machine
    printf '#!/bin/sh\nexit 101\n' | as_root tee "$policy" >/dev/null && as_root chmod +x "$policy" && ours=yes
  fi
  for package in "${missing[@]}"; do
    if as_root env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends "$package" >/dev/null; then
      case $package in
        mosquitto | victoria-metrics)
          if [ -d /run/systemd/system ]; then as_root systemctl disable --quiet "$package" || true; fi
          ;;
      esac
    else
      say "Could not install $package."
    fi
  done
  [ "$ours" = no ] || as_root rm -f "$policy"
}

# Set PYTHON to a Python of 3.11 or later.
find_python() {
  local candidate
  for candidate in python3 python3.11 python3.12 python3.13; do
    if command -v "$candidate" >/dev/null &&
      "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
      PYTHON=$candidate
      return 0
    fi
  done
  die "No Python 3.11 or later found; install it (Debian: apt-get install python3 python3-venv)."
}

# Make .venv and install this checkout into it, editable; $1 is "" or the extras, as in "[dev]". Quick when nothing changed.
python_environment() {
  local extras=${1:-} stamp
  find_python
  stamp="$("$PYTHON" -c 'import hashlib, sys
print(hashlib.sha256(open("pyproject.toml", "rb").read() + sys.argv[1].encode()).hexdigest())' "$PWD")"
  if [ -x .venv/bin/loadbook ] && [ "$(cat ".venv/.installed$extras" 2>/dev/null)" = "$stamp" ]; then return 0; fi
  if ! "$PYTHON" -c 'import ensurepip' 2>/dev/null; then debian_packages python3-venv; fi
  say "Setting up Python packages in .venv (once; a minute or two)"
  if ! "$PYTHON" -m venv .venv; then die "Could not make .venv; on Debian: apt-get install python3-venv."; fi
  .venv/bin/python -m pip install --quiet --disable-pip-version-check --editable ".$extras" ||
    die "Could not install the Python packages (see above); is the network there?"
  printf '%s\n' "$stamp" >".venv/.installed$extras"
  [ -z "$extras" ] || printf '%s\n' "$stamp" >.venv/.installed
}
