"""Relate: posts become runs and bays, and every stone learns how near iron is.

`posts` puts posts in order, `runs` makes runs and bays of them, `panels` finds
the bay of each panel, `nearest` measures stone against iron, `identity` keeps
names; `steps` declares the steps.
"""
