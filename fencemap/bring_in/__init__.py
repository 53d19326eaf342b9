"""Bring in: everything a survey delivers, read, checked, typed and explained.

`site_file` reads the site's description; `tables` and `shapes` read files
into raw tables; `intake` types them and says what is wrong row by row;
`place` puts them into the site's coordinates; `steps` declares the steps.
"""
