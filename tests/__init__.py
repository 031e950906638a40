"""Tests, one file a room."""
