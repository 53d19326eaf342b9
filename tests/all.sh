#!/bin/sh
# Run every test. As root on Debian it first installs the programs that some tests need; without
# root those tests are skipped and named. With CI=true a skipped test counts as failed.
# Arguments go to pytest.
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
. "$root/sample_gis/set_up.sh"
set_up test

# Chromium opens the map, python3-gdal has the validator of GeoPackages, poppler-utils reads PDF,
# and without a font a headless browser draws boxes.
lacking=
command -v chromium >/dev/null 2>&1 || lacking="$lacking chromium"
/usr/bin/python3 -c 'from osgeo import gdal' 2>/dev/null || lacking="$lacking python3-gdal"
command -v pdftotext >/dev/null 2>&1 || lacking="$lacking poppler-utils"
[ -d /usr/share/fonts/truetype/dejavu ] || lacking="$lacking fonts-dejavu-core"
if [ -n "$lacking" ]; then
    if is_root_on_debian; then
        # shellcheck disable=SC2086  one word a package
        install_packages $lacking
    else
        say "Tests that need these Debian packages will be skipped:$lacking"
    fi
fi

cd "$root"
exec "$python" -P -m pytest "$@"
