#!/bin/sh
# Run every test. As root on Debian it first installs the programs that some tests need; without
# root those tests are skipped and named. With CI=true a skipped test counts as failed.
# Arguments go to pytest.
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
. "$root/sample_gis/set_up.sh"
set_up test

# Chromium opens the map (its driver needs libatomic), python3-gdal reads GeoPackages for the
# validator, poppler-utils reads PDF, and without a font a headless browser draws boxes.
lacking=
command -v chromium >/dev/null 2>&1 || lacking="$lacking chromium"
ls /usr/lib/*/libatomic.so.1 >/dev/null 2>&1 || lacking="$lacking libatomic1"
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

# GDAL's validator of GeoPackages, newer than Debian's. No extra of pyproject: what it requires would
# compile GDAL, and only its script is used, by the system's Python.
if ! "$python" -c 'import osgeo_utils' 2>/dev/null; then
    "$python" -m pip install --quiet --no-input --disable-pip-version-check --no-deps \
        gdal-utils==3.13.3.0 || say "The validator of GeoPackages could not be installed."
fi

cd "$root"
exec "$python" -P -m pytest "$@"
