"""A weekly review of freshwater tanks, as polars frames: `import tankround; r = tankround.open("logs"); r.readings`.

In an installed package this file is the module `tankround` (see pyproject.toml).
"""

from pipeline.frames import FRAMES, Frames, open

__all__ = ["FRAMES", "Frames", "open"]
