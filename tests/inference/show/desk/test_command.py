"""The command `fiberward desk` before it serves anything."""

import socket
import subprocess
import sys

RUN = "import sys; from fiberward.inference.show.app import main; sys.exit(main(sys.argv[1:]))"
BLOCK = """
import sys

class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {"starlette", "uvicorn"}:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)

sys.meta_path.insert(0, Refuse())
"""


def run(*arguments: str, before: str = "", cwd) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", before + RUN, "desk", "--no-browser", *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=False, cwd=cwd, timeout=60)


def test_without_its_packages_it_says_what_to_install(tmp_path):
    done = run(before=BLOCK, cwd=tmp_path)
    assert done.returncode == 4
    assert "pip install '.[desk]'" in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []


def test_a_port_that_is_taken_ends_in_one_line(tmp_path):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = run("--port", str(port), cwd=tmp_path)
    assert done.returncode == 2
    assert f"port {port} cannot be used" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_folder_that_cannot_be_made_ends_in_one_line(tmp_path):
    (tmp_path / "file").write_text("")
    done = run("--port", "0", "--folder", "file/desk", cwd=tmp_path)
    assert done.returncode == 2
    assert "name another with --folder" in done.stderr


def test_a_camera_and_a_watched_folder_that_are_none_end_in_one_line(tmp_path):
    for option, words in (("--camera", "no such camera"), ("--watch", "is no folder")):
        done = run("--port", "0", option, "nothing", cwd=tmp_path)
        assert done.returncode == 2
        assert words in done.stderr
        assert len(done.stderr.splitlines()) == 1
