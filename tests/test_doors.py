"""Doors and limits: nothing raw is written over, nothing opens by accident, every slip of an option is a sentence."""

import hashlib
import http.client
import os
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dashboard.launch import HOST, command, environment, free_port, serve
from pipeline import cli, log, options
from pipeline.problems import Problem
from tests.small_folder import write_folder

CLI = [sys.executable, "-m", "pipeline.cli"]
ROOT = Path(__file__).parents[1]


@pytest.fixture
def logs(tmp_path: Path) -> Path:
    folder = tmp_path / "logs"
    write_folder(folder, 3)
    return folder


def run(*words: object, **more: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*CLI, *map(str, words)], capture_output=True, text=True, cwd=ROOT, timeout=120, check=False, **more
    )  # type: ignore[call-overload, no-any-return]


def raw(folder: Path) -> dict[str, str]:
    files = [p for p in folder.rglob("*") if p.is_file() and ".tankround" not in p.parts]
    return {str(p): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.mark.parametrize(
    "words",
    [
        ("export", "LOGS", "--out", "LOGS"),
        ("export", "LOGS", "--out", "LOGS/visits"),
        ("sheets", "LOGS", "--out", "LOGS/services"),
        ("calendar", "LOGS", "--out", "LOGS/../logs"),
        ("review", "LOGS", "--pdf", "LOGS/tap.csv"),
        ("report", "LOGS", "--site", "S1", "--from", "2026-05-01", "--to", "2026-05-31", "--out", "LOGS/issued"),
    ],
)
def test_raw_files_are_never_written_over(logs: Path, words: tuple[str, ...]) -> None:
    before = raw(logs)
    done = run(*(word.replace("LOGS", str(logs)) for word in words))
    assert done.returncode == 1
    assert "among the log files" in done.stderr
    assert "Traceback" not in done.stderr
    assert raw(logs) == before


def test_a_folder_of_its_own_inside_the_logs_may_be_written_to(logs: Path) -> None:
    options.among_logs(logs, logs / "papers", is_folder=True)
    options.among_logs(logs, logs / "papers" / "week.pdf", is_folder=False)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("load", ""), "blank"),
        (("will-it-do", "LOGS", "--model", "M", "--net-l", "inf"), "above 0"),
        (("will-it-do", "LOGS", "--model", "M", "--net-l", "nan"), "above 0"),
        (("will-it-do", "LOGS", "--model", "M", "--net-l", "0"), "above 0"),
        (("will-it-do", "LOGS", "--model", "M", "--net-l", "250", "--flow", "-1"), "above 0"),
        (("sheets", "LOGS", "--day", "9999-12-31", "--out", "out"), "out of reach"),
        (("review", "LOGS", "--as-of", "0001-01-01"), "out of reach"),
        (("dashboard", "LOGS", "--port", "99999"), "1024 to 65535"),
        (("dashboard", "LOGS", "--port", "x"), "1024 to 65535"),
    ],
)
def test_an_option_out_of_reach_is_a_sentence(logs: Path, words: tuple[str, ...], said: str) -> None:
    done = run(*(word.replace("LOGS", str(logs)) for word in words))
    assert done.returncode == 2
    assert said in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr


def test_a_closed_pipe_ends_with_0(logs: Path) -> None:
    script = f"{sys.executable} -m pipeline.cli assumptions {logs} | head -c 10; exit ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, cwd=ROOT, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_terminal_of_another_encoding_is_no_error(logs: Path) -> None:
    done = run("review", logs, env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0, done.stderr
    assert "?" in done.stdout


def test_an_error_of_ours_is_one_sentence_and_a_log_file(
    logs: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def breaks(*_: object, **__: object) -> None:
        raise ZeroDivisionError("secret of a row")

    monkeypatch.setattr("pipeline.weekly.load", breaks)
    monkeypatch.setattr(sys, "argv", ["tankround", "load", str(logs)])
    with pytest.raises(SystemExit) as stop:
        cli.main()
    told = capsys.readouterr().err
    log.stop()
    assert stop.value.code == 1
    assert told.startswith("Something went wrong that should not: ZeroDivisionError.")
    assert "Traceback" not in told
    assert str(log.log_file(logs).resolve()) in told
    assert "ZeroDivisionError" in log.log_file(logs).read_text(encoding="utf-8")


def test_the_log_file_does_not_grow_for_ever(tmp_path: Path) -> None:
    logger = log.start(tmp_path)
    for _ in range(60):
        logger.info("x" * 100_000)
    log.stop()
    files = sorted(log.log_file(tmp_path).parent.glob("tankround.log*"))
    assert len(files) == log.KEPT + 1
    assert all(file.stat().st_size <= log.MOST_BYTES for file in files)


# -- the dashboard's door -------------------------------------------------------------------------------


def test_no_variable_of_the_caller_reaches_the_server(logs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STREAMLIT_SERVER_ADDRESS", "0.0.0.0")
    assert not [name for name in environment(logs, None) if name.startswith("STREAMLIT_")]
    line = command(1234)
    assert line[line.index("--server.address") + 1] == HOST
    assert line[line.index("--server.enableXsrfProtection") + 1] == "true"


def test_a_taken_port_is_a_sentence(logs: Path) -> None:
    with socket.socket() as s:
        s.bind((HOST, 0))
        s.listen()
        with pytest.raises(Problem, match="is taken by another program"):
            serve(logs, None, s.getsockname()[1], browser=False)


def _listening(port: int) -> set[str]:
    """The addresses that a port is bound to, as the kernel lists them."""
    found = set()
    for table in ("/proc/net/tcp", "/proc/net/tcp6"):
        for line in Path(table).read_text().splitlines()[1:] if Path(table).exists() else ():
            address, state = line.split()[1], line.split()[3]
            if state == "0A" and int(address.rsplit(":", 1)[1], 16) == port:
                found.add(address.rsplit(":", 1)[0])
    return found


def test_no_variable_or_config_file_opens_the_server_and_sigterm_ends_it(logs: Path, tmp_path: Path) -> None:
    config = '[server]\naddress = "0.0.0.0"\nenableCORS = false\nenableXsrfProtection = false\n'
    for home in (tmp_path / "home", tmp_path / "here"):
        (home / ".streamlit").mkdir(parents=True)
        (home / ".streamlit" / "config.toml").write_text(config)
    port = free_port()
    env = {**os.environ, "HOME": str(tmp_path / "home"), "STREAMLIT_SERVER_ADDRESS": "0.0.0.0",
           "STREAMLIT_SERVER_ENABLE_CORS": "false", "PYTHONPATH": str(ROOT)}  # fmt: skip
    line = [*CLI, "dashboard", str(logs), "--no-browser", "--port", str(port)]
    server = subprocess.Popen(line, env=env, cwd=tmp_path / "here", stdout=subprocess.PIPE, text=True)
    try:
        until = time.monotonic() + 60
        while not _listening(port) and time.monotonic() < until:
            time.sleep(0.2)
        assert _listening(port) == {"0100007F"}  # 127.0.0.1, and nothing else

        def asked(**headers: str) -> int:
            http_ = http.client.HTTPConnection(HOST, port, timeout=10)
            upgrade = {"Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13",
                       "Sec-WebSocket-Key": "dGhlIHNhbXBsZSBub25jZQ=="}  # fmt: skip
            http_.request("GET", "/_stcore/stream", headers={**upgrade, **headers})
            status = http_.getresponse().status
            http_.close()
            return status

        assert asked(Origin=f"http://{HOST}:{port}") == 101
        assert asked(Origin="http://elsewhere.example") == 403
        assert asked(Origin=f"http://{HOST}:{port}", Host="elsewhere.example") in (400, 403)
        server.send_signal(signal.SIGTERM)
        assert server.wait(20) == 0
        assert not _listening(port)
    finally:
        if server.poll() is None:
            server.kill()
        server.communicate()
