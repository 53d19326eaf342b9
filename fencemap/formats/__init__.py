"""Readers and writers of file formats; the only modules besides `bring_in` that touch files."""
