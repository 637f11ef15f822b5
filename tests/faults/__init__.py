"""What was tried against reading and writing, what held, and what failed before it was made to hold.

| attack | tried | held at first | failed, and holds now |
|---|---|---|---|
| a writer killed at a step (ten steps each of assess --out, --freeze, --results, intervals --accept, --out, match, returned, start, books; fewer of demo, take-in), `test_writers.py` | every step that changes the disk, spread evenly | store, months of books | --freeze, assess --out, match --out, demo, start |
| the disk full from a step on, the same writers and steps | as above | store, months of books | the same |
| --out onto a fleet's folder or its records; a folder called as a month; an index.html of another | 4 | 0 | 4: refused, nothing changed |
| files of a month changed by hand before it is made again | 1 | 0 | 1: kept beside the new ones |
| hostile files in inbox/, `hostile.py` | 50 | 34 | 16: endless digits, far corners of unusual parts, long and wide Parquet, bytes as ids, odd metadata, the year 30000, separators, short rows, false sizes, loops of links, repeated cells, letters in two parts |
| one unreadable laboratory file beside good ones | 50 | 0 | 50: it is named, the others are read |
| fleet.toml: values out of range, not a number, endless, nested | 17 | 0 | 17, and all faults of a file at once |
| databases: a file that is none, no file, a port that is no number, passwords as parameters | 13 | 3 | 10 |
| field sheet: a number with two meanings | 1 | 0 | 1 |

Measured with `python -m tests.faults.hostile` (two cores shared by nine workers): at most 0.6 s of processor time for a file, but for those
that unpack to more than 100 MB (about 1.2 s), and at most 200 MB above what the package needs.
"""
