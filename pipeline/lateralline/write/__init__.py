"""Layers into files: each module one format, nothing put in place before it is whole."""
