#!/bin/sh
# Set up .venv in this checkout, run the main job on the sample burial ground, and say what was
# found and where the map and the GeoPackage lie. Works from any folder; the second run is short.
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
. "$root/sample_gis/set_up.sh"
set_up
"$python" -P -m fencemap run site_survey "$root/sample_gis" "$@"
