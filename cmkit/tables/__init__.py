"""The dictionary of tables: every column of every table cmkit reads or makes, with dtype, unit and meaning.

column.py        what a column and a table are records.py       what a fleet's records are read into      learnt.py
trust.py wear.py judge.py intervals.py practice.py what is made of them dictionary.py    all tables by name frames.py
names, empty, typed, check: frames from the dictionary describe.py      the dictionary for readers, files and databases
"""
