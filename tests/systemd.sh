#!/usr/bin/env bash
# The units as systemd itself judges them: `verify` without a word, exposure at most 2.0. Needs systemd-analyze and the built command.
set -euo pipefail
cd "$(dirname "$0")/.."
binary="${1:-target/debug/signproof}"
most=20 # tenths
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
binary="$(realpath "$binary")"
# the paths of an installed system do not exist here
sed "s#/usr/bin/signproof#$binary#" systemd/signproof.service > "$work/signproof.service"
said="$(systemd-analyze verify --man=no "$work/signproof.service" 2>&1)" || { echo "$said"; exit 1; }
if [[ -n "$said" ]]; then echo "$said"; exit 1; fi
# each drop-in with the unit
for conf in systemd/drop-ins/*.conf; do
  mkdir -p "$work/signproof.service.d"
  cp "$conf" "$work/signproof.service.d/"
  said="$(systemd-analyze verify --man=no "$work/signproof.service" 2>&1)" || { echo "$conf: $said"; exit 1; }
  if [[ -n "$said" ]]; then echo "$conf: $said"; exit 1; fi
  rm -r "$work/signproof.service.d"
done
systemd-analyze security --offline=true --threshold="$most" --no-pager "$work/signproof.service" | tail -1
systemd-sysusers --dry-run "$PWD/systemd/signproof.sysusers.conf" >/dev/null 2>&1
echo "units: verified, exposure at most $((most / 10)).$((most % 10)), user as sysusers takes it"
