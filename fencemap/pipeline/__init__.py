"""Pipelines: a document says which steps run, a runner runs those that must.

`document` reads and checks the TOML; `shelf` keeps the layers between steps;
`runner` runs, skips and resumes; `provenance` writes what was done from what;
`why` follows one number back to its source row.
"""
