"""Which form of the fuzzes runs: the short one belongs to ``make test``, ``make fuzz`` sets ``FUZZ=long``."""

import os
from typing import Literal

SIZE: Literal["short", "long"] = "long" if os.environ.get("FUZZ") == "long" else "short"
