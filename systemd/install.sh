#!/usr/bin/env bash
# Sets Loadbook up on a Raspberry Pi (or any Debian with systemd): packages, user, Python environment in /opt/loadbook,
# broker with passwords and topic rights, settings in /etc/loadbook, services. Run it again to upgrade: settings,
# passwords and data stay.
#
#   sudo bash systemd/install.sh [--dry-run]
#   sudo bash systemd/install.sh --remove      # takes the services and the program away; settings and data stay
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
top=$(dirname "$here")

opt=/opt/loadbook
etc=/etc/loadbook
data=/var/lib/loadbook
broker=/etc/mosquitto
python=/usr/bin/python3
units=(loadbook-poll.service loadbook-record.service loadbook-serve.service)
mode=install
dry=no

say() { printf '%s\n' "$*"; }

fail() {
  printf 'install: %s\n' "$*" >&2
  exit 2
}

# Run a command; with --dry-run only show it.
run() {
  if [ "$dry" = yes ]; then
    printf '  would run:'
    printf ' %q' "$@"
    printf '\n'
  else
    "$@"
  fi
}

# Write standard input to a file with a mode and an owner; with --dry-run only say so.
put() { # path mode owner
  if [ "$dry" = yes ]; then
    cat >/dev/null
    say "  would write: $1 ($2, $3)"
    return
  fi
  local half="$1.new"
  (umask 077 && cat >"$half")
  chown "$3" "$half"
  chmod "$2" "$half"
  mv "$half" "$1"
}

for argument in "$@"; do
  case $argument in
    --dry-run) dry=yes ;;
    --remove) mode=remove ;;
    -h | --help)
      sed -n '2,7s/^# \{0,1\}//p' "${BASH_SOURCE[0]}"
      exit 0
      ;;
    *) fail "$argument: no such option; there are --dry-run and --remove" ;;
  esac
done

check_machine() {
  [ "$dry" = yes ] || [ "$(id -u)" -eq 0 ] || fail "must run as root: sudo bash systemd/install.sh"
  command -v apt-get >/dev/null || fail "needs Debian or Raspberry Pi OS (no apt-get here)"
  [ "$dry" = yes ] || [ -d /run/systemd/system ] || fail "systemd does not run here"
  # Debian's own Python: one in somebody's home is out of the services' reach.
  [ -x "$python" ] || fail "needs Python 3.11 or later: apt-get install python3"
  "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
    fail "needs Python 3.11 or later; this is $("$python" --version)"
}

remove() {
  run systemctl disable --now loadbook.target "${units[@]}" || true
  local unit
  for unit in "${units[@]}" loadbook.target; do run rm -f "/etc/systemd/system/$unit"; done
  run systemctl daemon-reload
  run rm -f "$broker/conf.d/loadbook.conf" "$broker/loadbook.acl" "$broker/loadbook.passwd"
  run systemctl try-restart mosquitto
  run rm -rf "$opt"
  say "Removed. Settings are still in $etc, readings in $data; delete them by hand if they are no longer wanted."
}

packages() {
  say "Debian packages"
  run apt-get update -qq
  run env DEBIAN_FRONTEND=noninteractive apt-get install -y -qq --no-install-recommends \
    python3-venv mosquitto openssl libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core
}

user() {
  say "User loadbook"
  if ! getent passwd loadbook >/dev/null; then
    run adduser --system --group --home "$data" --no-create-home --gecos Loadbook loadbook
  fi
  run adduser --quiet loadbook dialout
  run install -d -m 0750 -o loadbook -g loadbook "$data"
  run install -d -m 0750 -o root -g loadbook "$etc"
  run install -d -m 2770 -o root -g loadbook "$etc/machines" # the recorder writes what is changed on the dashboard
}

program() {
  say "Program in $opt"
  [ -x "$opt/bin/python" ] || run "$python" -m venv "$opt"
  run "$opt/bin/python" -m pip install --quiet --disable-pip-version-check --upgrade "${top}[report]"
  run install -m 0644 "$top/README.md" "$opt/README.md"
}

secret() { openssl rand -base64 24 | tr '+/' '-_'; }

passwords() {
  say "Passwords for the broker"
  local name file
  for name in loadbook loadbook-reader; do
    file="$etc/$name.password"
    if [ ! -s "$file" ]; then secret | put "$file" 0640 root:loadbook; fi
  done
  if [ "$dry" = yes ]; then
    say "  would write: $broker/loadbook.passwd (0640, root:mosquitto)"
    return
  fi
  local list
  list=$(mktemp)
  for name in loadbook loadbook-reader; do
    printf '%s:%s\n' "$name" "$(cat "$etc/$name.password")" >>"$list"
  done
  mosquitto_passwd -U "$list"
  put "$broker/loadbook.passwd" 0640 root:mosquitto <"$list"
  rm -f "$list"
}

broker_files() {
  say "Broker: own listener on this board, rights by user"
  put "$broker/loadbook.acl" 0640 root:mosquitto <"$here/mosquitto/loadbook.acl"
  put "$broker/conf.d/loadbook.conf" 0644 root:root <"$here/mosquitto/loadbook.conf"
  run systemctl enable --quiet mosquitto
  run systemctl restart mosquitto
}

settings() {
  say "Settings in $etc"
  if [ -e "$etc/loadbook.toml" ]; then
    say "  kept: $etc/loadbook.toml"
    return
  fi
  if [ "$dry" = yes ]; then
    say "  would write: $etc/loadbook.toml (0640, root:loadbook)"
    return
  fi
  "$opt/bin/loadbook" settings --set broker.host=127.0.0.1 --set broker.username=loadbook \
    --set "broker.password_file=$etc/loadbook.password" --set "store.folder=$data" \
    --set "site.time_zone=$(cat /etc/timezone 2>/dev/null || echo UTC)" |
    put "$etc/loadbook.toml" 0640 root:loadbook
}

services() {
  say "Services"
  local unit
  for unit in "${units[@]}" loadbook.target; do run install -m 0644 "$here/$unit" "/etc/systemd/system/$unit"; done
  run systemctl daemon-reload
  run systemctl enable --quiet loadbook.target "${units[@]}"
  if [ "$dry" = yes ] || grep -q '^\[\[line\]\]' "$etc/loadbook.toml"; then
    run systemctl restart "${units[@]}"
  else
    run systemctl restart loadbook-record.service loadbook-serve.service
    say "No meter yet: write a [[line]] into $etc/loadbook.toml, then: sudo systemctl restart loadbook-poll"
  fi
}

check_machine
if [ "$mode" = remove ]; then
  remove
  exit 0
fi
packages
user
program
passwords
broker_files
settings
services
say "Done. Dashboard: http://127.0.0.1:8420 on this board (to reach it from elsewhere: first $opt/bin/loadbook people add NAME --config $etc/loadbook.toml, then 'address' in that file)."
say "What is going on: journalctl -fu 'loadbook-*'. The settings are checked by: $opt/bin/loadbook settings --check $etc/loadbook.toml"
