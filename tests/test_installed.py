"""What arrives on another machine: the whole wheel, no need of torch, no word to the network."""

import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("model", "synthetic", "inference", "training")
NOT_SHIPPED = shutil.ignore_patterns("__pycache__", ".*", "build", "dist", "*.egg-info", "runs")

NOTEBOOKS = {"TRAINING-LOG.md"}

# Refuses the packages of the `train` extra, as where they are not installed.
BLOCK_TRAINING_PACKAGES = """
import sys

class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"albucore", "albumentations", "onnx", "onnxscript", "torch",
                                  "torchvision"}:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, Refuse())
"""
# Ends the process at the first connection or look-up that Python code asks for.
BLOCK_CONNECTIONS = """
import os, sys

def refuse(event, arguments):
    if event in {"socket.connect", "socket.getaddrinfo", "socket.gethostbyname",
                 "socket.gethostbyaddr", "socket.getnameinfo", "socket.sendto", "socket.sendmsg",
                 "urllib.Request", "http.client.connect"}:
        print("asked for a connection:", event, arguments, file=sys.stderr, flush=True)
        os._exit(99)

sys.addaudithook(refuse)
"""
RUN = "import sys; from fiberward.inference.show.app import main; sys.exit(main(sys.argv[1:]))"


def run(code: str, *arguments: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", code, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=cwd)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> zipfile.ZipFile:
    """A wheel built from a copy of this checkout, so that no build folder is left in it."""
    pytest.importorskip("setuptools", "77")
    folder = tmp_path_factory.mktemp("wheel")
    for room in ROOMS:
        shutil.copytree(ROOT / room, folder / "src" / room, ignore=NOT_SHIPPED)
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder / "src" / name)
    done = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation"]
        + ["--disable-pip-version-check", "--wheel-dir", str(folder), str(folder / "src")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    [path] = folder.glob("*.whl")
    return zipfile.ZipFile(path)


def test_every_file_of_the_rooms_is_in_the_wheel(wheel: zipfile.ZipFile):
    expected = {
        f"fiberward/{path.relative_to(ROOT)}"
        for room in ROOMS
        for path in (ROOT / room).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.name not in NOTEBOOKS
    }
    assert expected - set(wheel.namelist()) == set()


def test_the_wheel_holds_nothing_but_the_rooms(wheel: zipfile.ZipFile):
    tops = {name.split("/")[1] for name in wheel.namelist() if name.startswith("fiberward/")}
    assert tops == set(ROOMS)
    assert not [name for name in wheel.namelist() if "test" in name.split("/")[1]]


@pytest.mark.parametrize(
    "ending",
    [
        "model/weights/fiberward.onnx",
        "model/weights/model-card.md",
        "inference/judge/zone_tables/",
        "inference/keep/schemas/",
        "inference/show/templates/",
        "inference/show/demo/",
        "inference/py.typed",
        "licenses/LICENSE",
    ],
)
def test_the_data_that_an_inspection_needs_is_in_the_wheel(ending: str, wheel: zipfile.ZipFile):
    sizes = [entry.file_size for entry in wheel.infolist() if ending in entry.filename]
    assert sizes
    assert all(sizes) or ending.endswith("py.typed")


def test_the_model_is_below_16_mb(wheel: zipfile.ZipFile):
    models = [entry for entry in wheel.infolist() if entry.filename.endswith(".onnx")]
    assert models
    assert all(entry.file_size <= 16e6 for entry in models)


def test_every_module_of_inference_imports_without_the_training_packages(tmp_path: Path):
    modules = [
        "fiberward." + ".".join(path.relative_to(ROOT).with_suffix("").parts)
        for room in ("inference", "model")
        for path in (ROOT / room).rglob("*.py")
        if path != ROOT / "model" / "net.py"
    ]
    code = BLOCK_TRAINING_PACKAGES + (
        "import importlib\n"
        "for name in sys.argv[1:]:\n"
        "    importlib.import_module(name.removesuffix('.__init__'))\n"
    )
    done = run(code, *modules, cwd=tmp_path)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("name", ["evaluate", "export", "render", "train"])
def test_training_commands_without_their_packages_exit_with_4(name: str, tmp_path: Path):
    done = run(BLOCK_TRAINING_PACKAGES + RUN, name, cwd=tmp_path)
    if "No such command" in done.stderr:
        pytest.skip("entry points exist in an installed package only")
    assert done.returncode == 4, done.stderr
    assert "pip install '.[train]'" in done.stderr


def test_the_block_on_connections_blocks():
    code = BLOCK_CONNECTIONS + "import socket; socket.create_connection(('127.0.0.1', 9), 0.1)"
    assert run(code, cwd=ROOT).returncode == 99


def test_the_checkup_asks_for_no_connection(tmp_path: Path):
    done = run(BLOCK_CONNECTIONS + RUN, "doctor", cwd=tmp_path)
    assert done.returncode == 0, done.stderr


def test_onnxruntime_is_told_not_to_report_before_it_is_imported(tmp_path: Path):
    code = (
        "import os, sys, fiberward.inference\n"
        "assert os.environ['ORT_DISABLE_TELEMETRY'] == '1' and 'onnxruntime' not in sys.modules"
    )
    done = run(code, cwd=tmp_path)
    assert done.returncode == 0, done.stderr


# Counts what reached the network layer of a fresh, unconnected network of the process's own, so
# that native code is caught too (Linux: /proc/net/snmp, RFC 1213 names). onnxruntime's reports
# begin some ten seconds after its import, so the process stays for twice that.
COUNT_PACKETS = """
import atexit, sys, time

def counts():
    with open("/proc/net/snmp") as file:
        lines = [line.split() for line in file]
    table = {(names[0], name): int(value) for names, values in zip(lines[::2], lines[1::2])
             for name, value in zip(names[1:], values[1:])}
    wanted = [("Ip:", "OutRequests"), ("Ip:", "OutNoRoutes"), ("Tcp:", "ActiveOpens"),
              ("Udp:", "OutDatagrams")]
    return sum(table[each] for each in wanted)

def at_the_end(begun=time.monotonic(), stay_s=float(sys.argv.pop(1))):
    time.sleep(max(0, begun + stay_s - time.monotonic()))
    print("packets", counts(), file=sys.stderr)

atexit.register(at_the_end)
"""
OWN_NETWORK = ("unshare", "--user", "--map-root-user", "--net")
# Little of the environment: onnxruntime does not report where CI variables are set.
BARE = {name: os.environ[name] for name in ("PATH", "HOME", "PYTHONPATH") if name in os.environ}


def in_own_network(code: str, *arguments: object, cwd: Path) -> subprocess.CompletedProcess[str]:
    command = [*OWN_NETWORK, sys.executable, "-c", COUNT_PACKETS + code, *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=cwd, env=BARE)


@pytest.fixture(scope="module")
def can_count(tmp_path_factory: pytest.TempPathFactory) -> bool:
    """Whether this system gives a process a network of its own, where an attempt is counted."""
    if shutil.which("unshare") is None:
        return False
    attempt = (
        "import socket\n"
        "try: socket.create_connection(('192.0.2.1', 9), 0.1)\n"  # RFC 5737: for documentation
        "except OSError: pass\n"
    )
    control = in_own_network(attempt, 0, cwd=tmp_path_factory.mktemp("control"))
    if "packets" not in control.stderr:
        return False
    assert not control.stderr.endswith("packets 0\n"), "the count misses an attempt"
    return True


def test_the_demo_needs_no_torch_and_sends_nothing(can_count: bool, tmp_path: Path):
    code = BLOCK_TRAINING_PACKAGES + BLOCK_CONNECTIONS + RUN
    if can_count:
        done = in_own_network(code, 20, "demo", "--out", tmp_path / "out", cwd=tmp_path)
        assert done.stderr.endswith("packets 0\n"), done.stderr
    else:
        done = run(code, "demo", "--out", tmp_path / "out", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out" / "inspection.json").stat().st_size > 0


@pytest.mark.skipif(not (ROOT / ".git").exists(), reason="not a checkout")
def test_the_links_in_the_papers_lead_somewhere():
    for paper in ("README.md", "DEVELOPERS.md", "CHANGELOG.md"):
        for target in re.findall(r"\]\(([^)#]+)\)", (ROOT / paper).read_text()):
            assert (ROOT / target).exists(), (paper, target)
