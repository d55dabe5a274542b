"""A shop's own settings: rules, tables of the graded zones, assumptions."""

from dataclasses import replace
from pathlib import Path

import pytest

from fiberward.inference.judge import assumed as assumed_module
from fiberward.inference.judge import zones as zones_module
from fiberward.inference.judge.rules import Rules
from fiberward.inference.judge.verdict import judge
from fiberward.inference.judge.zones import read_own_table, table_for
from fiberward.inference.see.fuse import Deposit
from fiberward.inference.settings import Settings
from fiberward.inference.settings_file import read_settings, settings_of_shop
from fiberward.inference.show.app import main
from fiberward.model.errors import SettingsError
from fiberward.model.families import default_shape, find_family
from fiberward.model.kinds import Kind
from fiberward.model.surfaces import Surface

SHIPPED_TABLE = Path(zones_module.__file__).parent / "zone_tables" / "sm-pc-45.toml"
SHIPPED_MOVES = Path(assumed_module.__file__).parent / "assumptions" / "shipped.toml"

OWN_TABLE = """
name = "our-bench"
edition = "our own, made up"
fiber_mode = "sm"
finish = "pc"
source = "invented for this test"
sure = "read"
note = "invented"
[zones_um]
A = 25.0
D = 250.0
[[limit]]
zone = "D"
mark = "defect"
at_most = 0
above_um = 4.0
see_um = 4.0
"""


@pytest.fixture
def shop(tmp_path):
    """Writes a settings file with a table beside it and returns its path."""

    def write(text: str, table: str = OWN_TABLE) -> Path:
        (tmp_path / "zones.toml").write_text(table)
        path = tmp_path / "settings.toml"
        path.write_text(text)
        return path

    return write


def grain(size_um: float, s_um: float) -> Deposit:
    return Deposit(
        id=1, kind=Kind.PARTICLE, confidence=0.9, surface=Surface.ENDFACE, s_um=s_um,
        theta_deg=10.0, s_min_um=s_um, s_max_um=s_um, size_um=size_um, area_um2=20.0,
        feret_max_um=size_um, width_um=size_um, length_um=None, enclosing_um=size_um,
        in_zone_area_um2=20.0, off_zone=False, unsure=False, seen_in=(0,),
    )  # fmt: skip


def test_without_a_file_the_defaults_hold_and_a_file_changes_only_what_it_states(shop):
    assert settings_of_shop() == Settings()
    found = read_settings(shop("[rules]\nstop_endface_um = 10\ncleanings_before_retire = 5\n"))
    assert found == Settings(rules=Rules(stop_endface_um=10.0, cleanings_before_retire=5))
    assert read_settings(shop("coverage_size_um = 30")).coverage_size_um == 30.0


def test_the_file_may_be_stated_named_by_the_environment_or_lie_where_own_data_belongs(
    shop, monkeypatch, tmp_path
):
    path = shop("coverage_size_um = 30")
    assert settings_of_shop(path).coverage_size_um == 30.0
    monkeypatch.setenv("FIBERWARD_SETTINGS", str(path))
    assert settings_of_shop().coverage_size_um == 30.0
    monkeypatch.delenv("FIBERWARD_SETTINGS")
    monkeypatch.setattr("fiberward.inference.keep.own_folder.own_folder", lambda: tmp_path)
    assert settings_of_shop().coverage_size_um == 30.0


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("coverage = 3", "unknown keys coverage"),
        ("coverage_size_um = -3", "above 0 um"),
        ("coverage_size_um = true", "above 0 um"),
        ("coverage_size_um = inf", "above 0 um"),
        (f"coverage_size_um = 1{'0' * 400}", "above 0 um"),
        (f"[rules]\nstop_fiber_um = 1{'0' * 400}", "must be a number"),
        ("rules = 3", r"\[rules\]"),
        ("[rules]\nstop_fibre_um = 5", "unknown stop_fibre_um"),
        ("[rules]\nfiber_mode = 'mm'", "unknown fiber_mode"),
        ("[rules]\nstop_fiber_um = '5'", "must be a number"),
        ("[rules]\nstop_fiber_um = true", "must be a number"),
        ("[rules]\ncleanings_before_retire = 2.5", "a whole number"),
        ("[rules]\nrequire_in_zone = 1", "true or false"),
        ("[rules]\nreach_limit = 1.5", "up to 1"),
        ("[rules]\nstop_fiber_um = nan", "above 0 um"),
        ("zone_tables = 'zones.toml'", "a list"),
        ("zone_tables = ['none.toml']", "none.toml: cannot be read"),
        ("assumptions = 'none.toml'", "none.toml"),
        ("[rules", "cannot be read as settings"),
    ],
)
def test_what_a_file_cannot_mean_is_refused_by_name(shop, text, says):
    with pytest.raises(SettingsError, match=says):
        read_settings(shop(text))


def test_a_shops_own_zone_table_comes_before_the_shipped_one_and_is_named(shop):
    found = read_settings(shop("zone_tables = ['zones.toml']"))
    rules = replace(found.rules, stop_endface_um=20.0, apex_offset_um=0.001)
    speck = replace(grain(4.5, 120.0), kind=Kind.RESIDUE)
    judgement = judge([speck], None, (), default_shape(find_family(2.5)), rules)
    assert judgement.in_zone.table == "our-bench"
    assert [reason.rule for reason in judgement.reasons] == ["in-zone-limit"]
    assert "our own, made up" in judgement.reasons[0].text
    shipped = judge(
        [speck], None, (), default_shape(find_family(2.5)), replace(rules, zone_tables=())
    )
    assert shipped.in_zone.table == "sm-pc-45"
    assert shipped.verdict == "reshoot"
    multi = replace(rules, fiber_mode="mm")
    assert judge([], None, (), default_shape(find_family(2.5)), multi).in_zone.table == "mm-pc"
    assert found.to_json()["rules"]["zone_tables"][0]["name"] == "our-bench"


def test_a_copy_of_a_shipped_table_or_of_the_assumptions_reads_the_same(tmp_path):
    (tmp_path / "copy.toml").write_bytes(SHIPPED_TABLE.read_bytes())
    assert read_own_table(tmp_path / "copy.toml") == table_for("sm", "pc")
    own = SHIPPED_MOVES.read_text().replace("fiberward-assumptions/1", "bench/7")
    (tmp_path / "moves.toml").write_text(own)
    (tmp_path / "settings.toml").write_text("assumptions = 'moves.toml'")
    found = settings_of_shop(tmp_path / "settings.toml")
    assert found.assumptions.id == "bench/7"
    assert found.to_json()["assumptions"]["id"] == "bench/7"


def test_changed_assumptions_need_an_id_of_their_own(tmp_path):
    # a record names the assumptions it was judged by, and explain computes with them again
    (tmp_path / "moves.toml").write_text(
        SHIPPED_MOVES.read_text().replace("weight = 200", "weight = 9")
    )
    (tmp_path / "settings.toml").write_text("assumptions = 'moves.toml'")
    with pytest.raises(SettingsError, match=r"moves\.toml: changed, so give it an id of its own"):
        read_settings(tmp_path / "settings.toml")


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("D = 250.0", "D = nan"),
        ("D = 250.0", "D = inf"),
        ("at_most = 0", "at_most = nan"),
        ("at_most = 0", "at_most = true"),
        ("see_um = 4.0", "see_um = 4.1"),
        ("see_um = 4.0", "see_um = inf"),
        ("above_um = 4.0", "to_um = inf"),
        ('name = "our-bench"', "name = 7"),
        (OWN_TABLE[OWN_TABLE.index("[[limit]]") :], "[limit]"),
        ("D = 250.0", "D = 20.0"),
        ('fiber_mode = "sm"', 'fiber_mode = "both"'),
        ('mark = "defect"', 'mark = "dust"'),
        ("at_most = 0", "at_most = -1"),
        ("see_um = 4.0", "see_um = 0.0"),
        ("above_um = 4.0", "above = 4.0"),
        ("above_um = 4.0", "from_um = 4.0"),
        ('zone = "D"', 'zone = "E"'),
        ('note = "invented"', ""),
        ("[[limit]]", "[limit]"),
    ],
)
def test_a_table_that_is_none_is_refused_by_its_file(shop, old, new):
    assert old in OWN_TABLE
    path = shop("zone_tables = ['zones.toml']", OWN_TABLE.replace(old, new, 1))
    with pytest.raises(SettingsError, match=r"zones\.toml"):
        read_settings(path)


def test_inspect_refuses_bad_settings_before_it_looks_at_pictures(shop, capsys, tmp_path):
    path = shop("[rules]\nstop_fibre_um = 5")
    picture = tmp_path / "front.jpg"
    picture.write_bytes(b"")
    assert main(["inspect", "--settings", str(path), str(picture)]) == 2
    assert "unknown stop_fibre_um" in capsys.readouterr().err
