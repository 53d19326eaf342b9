"""Results as files: GeoPackage, offline map, tables and the summary page."""
