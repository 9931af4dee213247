"""What a shift came to: where each station's time went, and how far the cell was from the best it could have done.

Rules of this room:
- Pure: a fold over states and times, and arithmetic on what it found. The live cell, the study in virtual time and an old journal are all
  measured by this one fold, so that the figures mean the same everywhere.
- Only the state at the end of a moment counts. How facts of one moment were batched changes no figure.
- A bound is never above what really happened; where something is not known, the bound is lower, not higher.
"""
