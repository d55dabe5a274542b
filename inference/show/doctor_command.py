"""`fiberward doctor`."""

from dataclasses import asdict
from pathlib import Path

from ...model.version import code_version
from .checkup import Finding, check_everything
from .terminal import Terminal

__all__ = ["doctor"]

EXIT_OK, EXIT_BROKEN = 0, 4


def doctor() -> int:
    """Tell what is installed and whether it works.

    Exits with 4 if something that an inspection needs is broken.
    """
    findings = check_everything(Path.cwd())
    broken = [finding for finding in findings if finding.state == "broken"]
    document = {
        "schema": "fiberward.checkup/1",
        "code_version": code_version(),
        "usable": not broken,
        "findings": [asdict(finding) for finding in findings],
    }
    Terminal.current().result(_as_text(findings, len(broken)), document)
    return EXIT_BROKEN if broken else EXIT_OK


def _as_text(findings: tuple[Finding, ...], broken: int) -> str:
    width = max(len(finding.name) for finding in findings)
    rows = [f"{each.state:<6}  {each.name:<{width}}  {each.detail}" for each in findings]
    end = f"{broken} broken" if broken else "everything needed works"
    return "\n".join([*rows, "", end])
