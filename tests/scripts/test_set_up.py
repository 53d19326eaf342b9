"""The set-up scripts on machines that lack things, told with stand-ins for Python, pip and apt."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(os.name != "posix", reason="the scripts are for a POSIX shell")

# A Python that can do what a bare Debian's can: no ensurepip until python3-venv is installed.
# Environments it makes hold itself; pip and fencemap are written down instead of run.
PYTHON = """#!/bin/sh
world={world}
case "$*" in
*"version_info < (3, 11)"*) [ -e "$world/old" ] && exit 1 || exit 0 ;;
*"import ensurepip"*) [ -e "$world/venv-package" ] ;;
"-m venv "*) mkdir -p "$3/bin" && cp "$world/bin/python3" "$3/bin/python" ;;
*"import osgeo_utils"*) [ -e "$world/gdal-utils" ] ;;
*"--no-deps"*"gdal-utils"*) touch "$world/gdal-utils" ;;
"-VV") echo "Python 3.11.2" ;;
*"-m pip install"*) echo "pip: $* in $PWD" >>"$world/log"; [ ! -e "$world/no-network" ] ;;
*) echo "ran: $*" >>"$world/log" ;;
esac
"""
ID = "#!/bin/sh\ncat {world}/user\n"
APT = """#!/bin/sh
echo "apt-get: $*" >>{world}/log
case "$*" in *install*python3-venv*) touch {world}/venv-package ;; esac
"""


class Machine:
    """A checkout in a folder with a space in its name, and a PATH of stand-ins."""

    def __init__(self, folder: Path, source: Path) -> None:
        self.world = folder / "world"
        self.root = folder / "a check out"
        (self.world / "bin").mkdir(parents=True)
        for name, text in (("python3", PYTHON), ("id", ID), ("apt-get", APT)):
            path = self.world / "bin" / name
            path.write_text(text.format(world=self.world))
            path.chmod(0o755)
        for name in ("pyproject.toml", "sample_gis/set_up.sh", "sample_gis/try.sh", "tests/all.sh"):
            target = self.root / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copy(source / name, target)
        self.user(0)

    def user(self, number: int) -> None:
        (self.world / "user").write_text(f"{number}\n")

    def has(self, *names: str) -> None:
        for name in names:
            (self.world / name).touch()

    def without(self, program: str) -> None:
        (self.world / "bin" / program).unlink()

    def run(
        self, script: str = "sample_gis/try.sh", *arguments: str
    ) -> subprocess.CompletedProcess[str]:
        # The tools of the shell itself, and nothing else of this machine.
        tools = self.world / "tools"
        if not tools.exists():
            tools.mkdir()
            for name in ("sh", "cat", "cksum", "cp", "dirname", "ls", "mkdir", "rm", "touch"):
                (tools / name).symlink_to(shutil.which(name))
        env = {
            "PATH": f"{self.world / 'bin'}:{tools}",
            "HOME": str(self.world),
            "PYTHONPATH": "/nowhere",
        }
        command = [shutil.which("sh"), str(self.root / script), *arguments]
        return subprocess.run(
            command, capture_output=True, text=True, check=False, env=env, cwd=self.world
        )

    @property
    def log(self) -> list[str]:
        path = self.world / "log"
        return path.read_text().splitlines() if path.exists() else []


@pytest.fixture
def machine(tmp_path, root):
    """A bare Debian where the user is root."""
    return Machine(tmp_path, root)


def test_a_plain_user_is_told_the_package_in_one_sentence(machine):
    """Without root and python3-venv: exit 1, one sentence naming the package, nothing made."""
    machine.user(1000)
    done = machine.run()
    assert done.returncode == 1
    assert done.stdout == ""
    assert done.stderr.count("\n") == 1
    assert "python3-venv" in done.stderr
    assert not (machine.root / ".venv").exists()
    assert machine.log == []


def test_root_gets_the_package_installed(machine):
    """As root on Debian the package is installed and the job runs, without a word on stdout of its own."""
    done = machine.run()
    assert done.returncode == 0, done.stderr
    kinds = [line.split(":")[0] for line in machine.log]
    assert kinds == ["apt-get", "apt-get", "pip", "ran"]
    assert "install -y --no-install-recommends python3 python3-venv" in machine.log[1]
    assert machine.log[2].endswith(f"--editable . in {machine.root}")
    assert machine.log[3] == f"ran: -P -m fencemap run site_survey {machine.root}/sample_gis"
    assert done.stdout == ""


def test_the_second_run_installs_nothing(machine):
    """Unchanged, the second run goes straight to the job; a changed pyproject installs again."""
    machine.has("venv-package")
    machine.run()
    machine.run("sample_gis/try.sh", "--fresh")
    assert [line.split(":")[0] for line in machine.log] == ["pip", "ran", "ran"]
    assert machine.log[-1].endswith("/sample_gis --fresh")
    with (machine.root / "pyproject.toml").open("a") as file:
        file.write("# changed\n")
    machine.run()
    assert [line.split(":")[0] for line in machine.log[3:]] == ["pip", "ran"]


def test_tests_add_their_extra_once(machine):
    """all.sh adds the extra `test` to what try.sh installed; try.sh is then content with it."""
    machine.has("venv-package")
    machine.user(1000)
    machine.run()
    machine.run("tests/all.sh", "-k", "nothing")
    machine.run()
    assert "--editable .[test]" in machine.log[2]
    assert machine.log[3] == "ran: -P -m pytest -k nothing"
    assert [line.split(":")[0] for line in machine.log] == ["pip", "ran", "pip", "ran", "ran"]


def test_root_gets_the_programs_of_the_tests(machine):
    """As root, all.sh asks Debian for Chromium, the validator and the rest, in one go."""
    machine.has("venv-package")
    machine.run("tests/all.sh")
    asked = next(line for line in machine.log if "install" in line and line.startswith("apt-get"))
    assert "chromium" in asked
    assert "poppler-utils" in asked
    assert (machine.world / "gdal-utils").exists()


def test_a_failed_installation_is_not_taken_for_done(machine):
    """When pip fails the script fails, and the next run tries again."""
    machine.has("venv-package", "no-network")
    assert machine.run().returncode != 0
    assert not any(line.startswith("ran") for line in machine.log)
    (machine.world / "no-network").unlink()
    assert machine.run().returncode == 0
    assert [line.split(":")[0] for line in machine.log] == ["pip", "pip", "ran"]


def test_a_broken_environment_is_made_anew(machine):
    """An environment whose Python is gone is replaced, and nothing beside it."""
    machine.has("venv-package")
    machine.run()
    (machine.root / ".venv" / "bin" / "python").unlink()
    (machine.root / "mine.txt").touch()
    assert machine.run().returncode == 0
    assert [line.split(":")[0] for line in machine.log] == ["pip", "ran", "pip", "ran"]
    assert (machine.root / "mine.txt").exists()


def test_an_old_python_is_named(machine):
    """A Python before 3.11 is refused with one sentence, root or not."""
    machine.has("old", "venv-package")
    machine.user(1000)
    done = machine.run()
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "3.11" in done.stderr


def test_root_without_debian_is_told_too(machine):
    """Root on another system gets the sentence, not an error of a missing apt-get."""
    machine.without("apt-get")
    done = machine.run()
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "python3-venv" in done.stderr


@pytest.mark.parametrize(
    "script", ["sample_gis/set_up.sh", "sample_gis/try.sh", "tests/all.sh", "tests/long.sh"]
)
def test_scripts_parse_as_posix_shell(root, script):
    """Each script is read without fault by the machine's sh and has no word of another shell."""
    path = root / script
    done = subprocess.run(["sh", "-n", str(path)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    code = [line.split("#")[0] for line in path.read_text().splitlines()]
    foreign = [
        line
        for line in code
        if any(
            word in line
            for word in ("[[", "function ", "local ", "source ", "&>", "<<<", " == ", "pipefail")
        )
    ]
    assert foreign == []


CONFTEST_CASES = """
import pytest

def test_skips():
    pytest.skip("no program")

@pytest.mark.skipif(True, reason="not here")
def test_marked():
    pass

@pytest.mark.xfail(strict=True, reason="known")
def test_known():
    raise ValueError

@pytest.mark.long
def test_long():
    pass

def test_fine():
    pass
"""


@pytest.mark.parametrize(
    ("ci", "wanted"),
    [
        ("true", {"passed": 1, "failed": 1, "errors": 1, "xfailed": 1}),
        ("", {"passed": 1, "skipped": 2, "xfailed": 1}),
    ],
)
def test_a_skip_fails_under_ci_only(tmp_path, root, ci, wanted):
    """With CI=true skipped tests fail and say so; without it they are skipped; long ones are left out by name."""
    for name in ("tests/conftest.py", "pyproject.toml"):
        shutil.copy(root / name, tmp_path / Path(name).name)
    (tmp_path / "test_cases.py").write_text(CONFTEST_CASES)
    env = {
        key: value
        for key, value in os.environ.items()
        if not key.startswith(("PYTEST", "FENCEMAP"))
    } | {"CI": ci}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--junitxml=out.xml", "."],
        cwd=tmp_path, env=env, capture_output=True, text=True, check=False,
    )  # fmt: skip
    closing = done.stdout.strip().splitlines()[-1]
    for word, count in wanted.items():
        assert (
            f"{count} {word.removesuffix('s') if count == 1 and word == 'errors' else word}"
            in closing
        )
    assert "left out: 1 tests marked 'long'" in done.stdout
    assert done.returncode == (1 if ci else 0)
    assert ("with CI=true nothing may be: Skipped: no program" in done.stdout) == bool(ci)
