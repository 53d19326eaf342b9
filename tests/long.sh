#!/bin/sh
# Run what takes too long for every change: tests marked `long`, the large site from files to
# GeoPackage, and the ratios beside general libraries. The last figures, with these commands, stand
# in docs/benchmarks.md. Arguments go to pytest.
set -eu
root=$(CDPATH='' cd -- "$(dirname -- "$0")/.." && pwd -P)
. "$root/sample_gis/set_up.sh"
set_up test
cd "$root"
# 5 says that no test is marked so, which is no fault.
FENCEMAP_LONG=1 "$python" -P -m pytest -m long "$@" || [ $? -eq 5 ]
# A run killed at 20 random moments and run again must give the same bytes 20 times.
FENCEMAP_KILLS=20 "$python" -P -m pytest tests/pipeline/test_sample_run.py -k killed
FENCEMAP_EXAMPLES=40 "$python" -P -m pytest tests/properties/test_clearance_properties.py
"$python" tests/benchmarks/run_large.py --warm
exec "$python" tests/benchmarks/ratios.py
