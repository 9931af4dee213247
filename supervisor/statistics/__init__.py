"""What many values say together: distributions, charts, capability, gauge studies, agreement, adjustment.

Rules of this room:
- Pure, standard library only: values in, values out. No clock, no file, no chance.
- Nothing here knows cells, stations or parts; the rooms above say what a value belongs to.
- Each formula names its source. Where two conventions exist, the caller names the one he means, and the outcome carries its name.
- Variances are never computed as a difference of sums (NIST StRD sets NumAcc3 and NumAcc4 show why).
"""
