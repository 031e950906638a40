"""Hypothesis: the same examples on every run; `--hypothesis-profile search` looks further.

No test sees the habits of whoever runs it.
"""

import os
import tempfile

from hypothesis import settings

os.environ["RASTER2PATH_HOME"] = tempfile.mkdtemp(prefix="raster2path-")

settings.register_profile("steady", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None, max_examples=500)
settings.load_profile("steady")
