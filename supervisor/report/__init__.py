"""Records on paper and in files: the sheet of a part as PDF, its picture of deviations, tables for spreadsheets.

Rules of this room:
- A report shows what a record says and judges nothing; what it rounds for reading stands whole in the record.
- Verdict first. Everything reads in black and white: a verdict is a word, a symbol and a tone together.
- The same record gives the same bytes, so that a copy can be compared with one that was kept.
"""
