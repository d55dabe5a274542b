"""The version of this code, as every output and model file carries it."""

from importlib.metadata import PackageNotFoundError, version

__all__ = ["code_version"]


def code_version() -> str:
    """The installed version, such as "0.1.0"; "not installed" when run from a bare checkout."""
    try:
        return version("fiberward")
    except PackageNotFoundError:
        return "not installed"
