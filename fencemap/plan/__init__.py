"""What is laid, fenced off and forbidden before the work: zones, ledger, covers, no-dig.

Each module is named after the layer it makes; `steps` declares them to
pipelines.
"""
