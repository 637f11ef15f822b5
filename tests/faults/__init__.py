"""What is tried against reading and writing, what held, and what had failed before.

| attack | tried | now | what had failed before |
|---|---|---|---|
| a writer killed at a step (`test_writers.py`: every writing command, about ten steps spread evenly; fewer of demo and take-in) | each step that changes the disk | the old stands whole, or the new | --freeze, assess --out, match --out, demo, start |
| the disk full from a step on, the same writers and steps | as above | the same, one message | the same |
| --out onto a fleet's folder or records; a folder called as a month; a page of another called index.html | refusal | nothing is written over | all of them |
| files of inbox/ that are wrong by mistake or on purpose (`hostile.py`) | 50 | said in one message, the others are read | one such file stopped the fleet; endless digits, far corners, Parquet, links |
| fleet.toml out of range, not a number, endless, nested (`test_hostile_files.py`) | 17 | refused, all faults at once | tracebacks, or taken in silence |
| databases that fail, passwords in any part of the URL (`tests/records/test_records_secrets.py`) | 13 | one message, no secret | tracebacks, a file made, a password shown |

Seconds and memory of each hostile file: `python -m tests.faults.hostile`.
"""
