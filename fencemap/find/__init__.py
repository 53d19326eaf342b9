"""Find: what the survey shows without saying it.

`clearance` works out the gap under every bottom rail with its uncertainty
(`clearance_cells`, `_ground`, `_rail`, `_stone`, `_readings`, `_field`,
`_verdict` and `_doubts` are its parts, in the order they are used); `contact` joins it into
stretches; `condition` and `coverage` sum up what was seen; `exposure` says
which stone an operation can reach; `steps` declares the steps.
"""
