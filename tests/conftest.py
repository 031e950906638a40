"""Hypothesis: the same examples on every run; `--hypothesis-profile search` looks further."""

from hypothesis import settings

settings.register_profile("steady", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None, max_examples=500)
settings.load_profile("steady")
