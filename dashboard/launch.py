"""Starts the dashboard as its own process, on loopback and without telemetry, and waits for it."""

from __future__ import annotations

import datetime as dt
import os
import signal
import socket
import subprocess
import sys
import time
import webbrowser
from pathlib import Path
from threading import Thread
from types import FrameType

from pipeline.assumptions import built_in
from pipeline.problems import Problem

APP = Path(__file__).with_name("app.py")
HOST = "127.0.0.1"
WAIT_S = 30.0  # for the server to answer
# As flags, since they win over STREAMLIT_* variables and over any config.toml in the current or the home folder.
FLAGS = {
    "server.address": HOST,
    "server.headless": "true",
    "server.enableCORS": "true",
    "server.enableXsrfProtection": "true",
    "server.maxUploadSize": f"{built_in()['upload_limit_mb']:.0f}",
    "server.fileWatcherType": "none",
    "browser.gatherUsageStats": "false",
    "browser.serverAddress": HOST,
    "client.showErrorDetails": "none",
    "client.toolbarMode": "minimal",
    "global.developmentMode": "false",
}


def free_port() -> int:
    """A port that nothing listens on."""
    with socket.socket() as s:
        s.bind((HOST, 0))
        return int(s.getsockname()[1])


def _taken(port: int) -> bool:
    with socket.socket() as s:
        s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            s.bind((HOST, port))
        except OSError:
            return True
    return False


def command(port: int) -> list[str]:
    """The server's command line: every protection is a flag."""
    flags = [part for name, value in FLAGS.items() for part in (f"--{name}", value)]
    return [sys.executable, "-m", "streamlit", "run", str(APP), "--server.port", str(port), *flags]


def environment(logs: Path, db: Path | None, as_of: dt.date | None = None) -> dict[str, str]:
    """What the server is given: the folder, never in the address, and no STREAMLIT_* variable of the caller's."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("STREAMLIT_")}
    return {
        **kept,
        "TANKROUND_LOGS": str(logs.resolve()),
        "TANKROUND_DB": str(db.resolve()) if db else "",
        "TANKROUND_AS_OF": as_of.isoformat() if as_of else "",
    }


def _open_when_ready(url: str, port: int) -> None:
    """Open the browser once the server answers."""
    until = time.monotonic() + WAIT_S
    while time.monotonic() < until:
        with socket.socket() as s:
            s.settimeout(1.0)
            if s.connect_ex((HOST, port)) == 0:
                webbrowser.open(url)
                return
        time.sleep(0.2)


def serve(logs: Path, db: Path | None, port: int | None, browser: bool, as_of: dt.date | None = None) -> int:
    """Serve until Ctrl-C or SIGTERM, as of a day or of today, whichever day that is by then; the exit code."""
    if port is not None and _taken(port):
        raise Problem(f"Port {port} is taken by another program; expected a free one. Leave --port away to get one.")
    port = port or free_port()
    url = f"http://{HOST}:{port}"
    print(f"Dashboard at {url}  (this machine only; Ctrl-C stops it)", flush=True)
    server = subprocess.Popen(command(port), env=environment(logs, db, as_of), stdout=subprocess.DEVNULL)

    def end(_: int, __: FrameType | None) -> None:
        server.terminate()

    before = signal.signal(signal.SIGTERM, end)
    if browser:
        Thread(target=_open_when_ready, args=(url, port), daemon=True).start()
    try:
        code = server.wait()
        return 0 if code in (-signal.SIGTERM, -signal.SIGINT) else code
    except KeyboardInterrupt:
        return 0
    finally:
        if server.poll() is None:
            server.terminate()
            try:
                server.wait(5)
            except subprocess.TimeoutExpired:
                server.kill()
        signal.signal(signal.SIGTERM, before)
