"""Adapters: one folder a source; `base` is the seam to the edge, `registry` the one table of kinds."""
