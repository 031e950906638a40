"""`python -m raster2path`."""

import sys

from raster2path.cli import main

sys.exit(main())
