"""What the records of many parts say about the process that made them: charts, capability, and where to correct.

Rules of this room:
- Pure, standard library only: records and the declaration in, values out.
- Nothing here changes a verdict. A chart shows, advice is offered; a person or the machine's control decides.
- What is not said has a reason: advice that is withheld says why, and a series says what it left out.
"""
