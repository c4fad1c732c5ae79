"""Which version of the computation a stored result comes from; docs/metrology.md says what changed with each."""

METHOD_VERSION = "2026.1"
