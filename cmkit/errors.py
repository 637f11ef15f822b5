"""Every error cmkit raises on purpose.

    CmkitError
    ├── RecordsError      a fleet's records cannot be read as they stand
    │   ├── MissingTable     a table or file that must be there is not
    │   ├── WrongFile        a file is not what its name says
    │   ├── UnknownColumn    a heading that no table or layout knows
    │   └── SettingsError    fleet.toml or a layout file says something it must not
    ├── ParameterError    a function, notebook or command was given a parameter or value it cannot take
    ├── BookError         a book could not be made; the cause travels with it
    ├── TableError        a table that is made does not have the columns of the dictionary
    ├── StoreError        the store of checked records refused a write or is damaged
    └── WriteError        something of the user's would be written over, or another command is writing

A message says what was found, what was wanted, where (file, row), and what to do.
"""


class CmkitError(Exception):
    """Base of all errors raised on purpose; `cmkit` prints its message without a traceback."""


class RecordsError(CmkitError):
    """A fleet's records cannot be read as they stand."""


class MissingTable(RecordsError):
    """A table or file that must be there is not."""


class WrongFile(RecordsError):
    """A file is not what its name says."""


class UnknownColumn(RecordsError):
    """A heading that no table or layout knows."""


class SettingsError(RecordsError):
    """fleet.toml or a layout file says something it must not."""


class ParameterError(CmkitError):
    """A function, notebook or command was given a parameter it does not have, or a value that parameter cannot take."""


class BookError(CmkitError):
    """A book could not be made; the cause travels with it."""


class StoreError(CmkitError):
    """The store of checked records refused a write or is damaged."""


class WriteError(CmkitError):
    """Something of the user's would be written over, or another command is writing; nothing was written."""


class TableError(CmkitError):
    """A table that is made does not have the columns, dtypes, words or keys of the dictionary."""
