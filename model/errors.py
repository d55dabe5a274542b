"""Every error a user can cause, in one tree.

FiberwardError              base; `str()` is one plain line: what, where, what to do
|-- UsageError              a wrong option or combination of options        exit 2
|   `-- SettingsError       a wrong key or value in a TOML file             exit 2
|-- UnreadablePicture       a file that cannot be decoded as one picture    exit 3
|-- ModelError              weights missing, damaged or of another schema   exit 4
|   `-- MissingExtra        a command needs packages of the `train` extra   exit 4
|-- RecordsError            records that cannot be opened, read or written  exit 4
`-- TrainingError           training cannot go on (non-finite loss, ...)    exit 5
"""

__all__ = [
    "FiberwardError",
    "MissingExtra",
    "ModelError",
    "RecordsError",
    "SettingsError",
    "TrainingError",
    "UnreadablePicture",
    "UsageError",
]


class FiberwardError(Exception):
    """Base of all errors that end in one plain line for the user."""

    exit_code = 5


class UsageError(FiberwardError):
    """The command was called in a way that cannot be carried out."""

    exit_code = 2


class SettingsError(UsageError):
    """A settings or connector file holds an unknown key or an impossible value."""


class UnreadablePicture(FiberwardError):
    """A file that cannot be decoded into exactly one picture."""

    exit_code = 3


class ModelError(FiberwardError):
    """The weights are missing, damaged, or of a schema this version does not know."""

    exit_code = 4


class MissingExtra(ModelError):
    """A command needs packages that the plain install does not bring."""


class RecordsError(FiberwardError):
    """The records cannot be opened, read or written: locked, full, read-only, newer, damaged."""

    exit_code = 4


class TrainingError(FiberwardError):
    """Training cannot go on."""
