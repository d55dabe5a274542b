"""`inspection.json`: the dataclass, the shipped JSON Schema and the file agree."""

import json
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator, ValidationError

from fiberward.inference.keep.inspection import (
    ADDED,
    ADDED_OF_DEPOSIT,
    ADDED_OF_VIEW,
    INSPECTION_SCHEMA_FILE,
    DepositRecord,
    Inspection,
    InZoneRecord,
    ModelRecord,
    ReasonRecord,
    ViewRecord,
    read_inspection,
)
from fiberward.model.errors import UsageError
from fiberward.model.kinds import KIND_NAMES
from fiberward.model.surfaces import SURFACE_NAMES

SCHEMA = json.loads(INSPECTION_SCHEMA_FILE.read_text())
DEPOSIT = DepositRecord(
    id=1,
    kind="particle",
    confidence=0.93,
    surface="chamfer",
    s_um=512.0,
    theta_deg=359.9,
    s_min_um=500.0,
    s_max_um=524.0,
    size_um=24.0,
    area_um2=452.4,
    feret_max_um=26.0,
    width_um=22.0,
    length_um=None,
    enclosing_um=26.5,
    in_zone_area_um2=0.0,
    off_zone=True,
    unsure=False,
    bridge=None,
    wedge={"bound_db": 0.2},
    reach=None,
    harm=None,
    seen_in=("left.jpg", "front.jpg"),
)
INSPECTION = Inspection(
    verdict="clean-first",
    reasons=(ReasonRecord("Deposit 1 stops.", "near-fiber", 1, None, 24.0, 5.0, "um"),),
    validity=None,
    in_zone=InZoneRecord("none"),
    views=(
        ViewRecord("front.jpg", "front", "0" * 64, True, None, um_per_px=4.5, fiber_px=(9.5, 3.0)),
        ViewRecord("left.jpg", "left", None, False, "left.jpg is empty"),
    ),
    coverage={"endface": 0.9, "cavity": None},
    coverage_size_um=50.0,
    gaps=("nothing shows the cavity",),
    deposits=(DEPOSIT,),
    advice=("Wipe the chamfer.",),
    connector={"label": None, "stage": "as-received", "ferrule_mm": 1.25},
    shape_um={"ferrule_radius_um": 624.5},
    model=ModelRecord("test", "0" * 64),
    settings={"rose_k": 5.0},
    cautions=("Look out.",),
    notes=(),
    code_version="0.0",
    created_at="2026-01-02T03:04:05Z",
)


def check(document: dict[str, Any]) -> None:
    Draft202012Validator(SCHEMA).validate(document)


def test_the_schema_is_itself_valid_json_schema_2020_12() -> None:
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


def test_a_document_follows_the_shipped_schema_and_one_with_a_foreign_verdict_does_not() -> None:
    validator = Draft202012Validator(SCHEMA)
    document = INSPECTION.to_json()
    assert list(validator.iter_errors(document)) == []
    assert list(validator.iter_errors(document | {"verdict": "fine"})) != []


def test_a_document_read_back_is_the_same_inspection(tmp_path: Path) -> None:
    INSPECTION.write(tmp_path / "inspection.json")
    assert read_inspection(tmp_path / "inspection.json") == INSPECTION


@pytest.mark.parametrize(
    ("kind", "part"),
    [
        (Inspection, SCHEMA),
        (InZoneRecord, SCHEMA["properties"]["in_zone"]),
        (ModelRecord, SCHEMA["properties"]["model"]),
        (ReasonRecord, SCHEMA["properties"]["reasons"]["items"]),
        (ViewRecord, SCHEMA["properties"]["views"]["items"]),
        (DepositRecord, SCHEMA["properties"]["deposits"]["items"]),
    ],
)
def test_the_schema_requires_and_describes_each_field(kind: type, part: dict[str, Any]) -> None:
    names = {field.name for field in fields(kind)}
    assert set(part["properties"]) == names
    # what was added after the first records were kept is never required
    assert set(part["required"]) == names - {*ADDED, *ADDED_OF_VIEW, *ADDED_OF_DEPOSIT}


def test_the_schema_names_the_kinds_and_surfaces_of_the_tables() -> None:
    deposit = SCHEMA["properties"]["deposits"]["items"]["properties"]
    assert deposit["kind"]["enum"] == list(KIND_NAMES[1:])
    assert deposit["surface"]["enum"] == list(SURFACE_NAMES)


@pytest.mark.parametrize(
    "change",
    [
        {"verdict": "clean"},  # the bare word is never a verdict
        {"reasons": []},  # no verdict without a reason
        {"created_at": "2026-01-02T03:04:05+01:00"},  # stored times are UTC
        {"coverage": {"endface": 1.2}},  # a share
        {"schema": "fiberward.inspection/2"},
    ],
)
def test_the_schema_refuses_what_must_not_be_written(change: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        check(INSPECTION.to_json() | change)


def test_an_unknown_verdict_cannot_be_made() -> None:
    with pytest.raises(ValueError, match="expected one of"):
        replace(INSPECTION, verdict="clean")


def test_not_a_number_is_never_written() -> None:
    with pytest.raises(ValueError, match="not JSON compliant"):
        replace(INSPECTION, coverage_size_um=float("nan")).to_json()


def test_keys_of_a_later_minor_version_are_passed_over() -> None:
    document = INSPECTION.to_json()
    document["later"] = 1
    document["deposits"][0]["later"] = 1
    assert Inspection.from_json(document) == INSPECTION


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": "fiberward.inspection/2"}', "\xff"])
def test_reading_anything_else_ends_in_one_line(tmp_path: Path, text: str) -> None:
    path = tmp_path / "inspection.json"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(UsageError, match=r"inspection\.json: not an inspection") as caught:
        read_inspection(path)
    assert "\n" not in str(caught.value)


def test_reading_a_missing_file_ends_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        read_inspection(tmp_path / "inspection.json")
