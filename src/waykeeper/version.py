"""The version, in a module of its own so that every room may read it."""

VERSION = "0.1.0"
