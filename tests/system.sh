#!/bin/sh
# The tests use a real browser, a real PDF reader, a real database and photographs that Debian ships.
set -eu
need=""
command -v chromium >/dev/null 2>&1 || need="$need chromium"
command -v pdftoppm >/dev/null 2>&1 || need="$need poppler-utils"
[ -d /usr/share/doc/opencv-doc ] || need="$need opencv-doc"
command -v firefox-esr >/dev/null 2>&1 || need="$need firefox-esr"
command -v soffice >/dev/null 2>&1 || need="$need libreoffice-calc"
[ -d /usr/share/fonts/truetype/dejavu ] || need="$need fonts-dejavu"
ls /usr/lib/postgresql/*/bin/initdb >/dev/null 2>&1 && ls /usr/share/postgresql/*/extension/postgis.control >/dev/null 2>&1 \
  || need="$need postgresql postgresql-postgis"
[ -z "$need" ] && exit 0
if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null 2>&1; then
  echo "error: the tests need Debian's packages$need; fix: as root, run apt-get install$need" >&2
  exit 2
fi
export DEBIAN_FRONTEND=noninteractive
apt-get update -qq
apt-get install -y -qq --no-install-recommends $need >/dev/null
