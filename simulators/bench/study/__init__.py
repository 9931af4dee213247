"""The study of a declared cell in virtual time: what it would achieve, where time goes, and what a change would bring.

Rules of this package:
- What runs is the production core with modelled machines (``simulators.bench.world``); figures come from ``supervisor.shift`` and from
  nowhere else, so a study and the live cell mean the same by the same word.
- The same wishes and seeds give the same figures, in however many processes. A change is tried with the seeds of the cell as declared, so
  that differences are not those of luck.
- Nothing on disk is changed: a change is made to the declared values after loading.
"""
