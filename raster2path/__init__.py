"""From a photographed sketch or a customer's picture to lines a hand can follow with a torch.

The same road as the command, from Python:

    from pathlib import Path
    import raster2path

    picture = Path("samples/small/ferry-solid.png")
    job = raster2path.new_job(picture)
    result = raster2path.make(job, picture)
    print(result.stamp.title, len(result.order.cuts), "cuts")

Names are imported when they are first used, so that `import raster2path` costs nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from raster2path.errand import Outcome
    from raster2path.errors import ExitStatus, Raster2PathError
    from raster2path.job import Job
    from raster2path.jobfile import job_toml, new_job, read_job
    from raster2path.many import guide_many
    from raster2path.model import Note
    from raster2path.outputs import folder_files, write_files
    from raster2path.pipeline import Result, make
    from raster2path.settings import Said

_HOMES = {
    "ExitStatus": "errors",
    "Job": "job",
    "Note": "model",
    "Outcome": "errand",
    "Raster2PathError": "errors",
    "Result": "pipeline",
    "Said": "settings",
    "folder_files": "outputs",
    "guide_many": "many",
    "job_toml": "jobfile",
    "make": "pipeline",
    "new_job": "jobfile",
    "read_job": "jobfile",
    "write_files": "outputs",
}

__all__ = [
    "ExitStatus",
    "Job",
    "Note",
    "Outcome",
    "Raster2PathError",
    "Result",
    "Said",
    "folder_files",
    "guide_many",
    "job_toml",
    "make",
    "new_job",
    "read_job",
    "write_files",
]


def __getattr__(name: str) -> object:
    if name not in _HOMES:
        raise AttributeError(f"module 'raster2path' has no attribute '{name}'")
    return getattr(import_module(f"raster2path.{_HOMES[name]}"), name)
