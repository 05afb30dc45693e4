"""Readers: bytes of a log or result file -> native records. Pure and incremental; one module a reader."""
