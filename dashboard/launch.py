"""Starts the dashboard as its own process, on loopback and without telemetry, and waits for it."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import webbrowser
from pathlib import Path
from threading import Timer

APP = Path(__file__).with_name("app.py")
HOST = "127.0.0.1"


def free_port() -> int:
    """A port that nothing listens on."""
    with socket.socket() as s:
        s.bind((HOST, 0))
        return int(s.getsockname()[1])


def serve(logs: Path, db: Path | None, port: int | None, browser: bool) -> int:
    """Serve until Ctrl-C; the exit code. The folder is handed over in the environment, never in the address."""
    port = port or free_port()
    env = {**os.environ, "TANKROUND_LOGS": str(logs.resolve()), "TANKROUND_DB": str(db.resolve()) if db else ""}
    url = f"http://{HOST}:{port}"
    print(f"Dashboard at {url}  (this machine only; Ctrl-C stops it)", flush=True)
    command = [sys.executable, "-m", "streamlit", "run", str(APP), "--server.port", str(port)]
    if browser:
        timer = Timer(2.0, webbrowser.open, [url])
        timer.daemon = True
        timer.start()
    try:
        return subprocess.run(command, env=env, check=False, stdout=subprocess.DEVNULL).returncode
    except KeyboardInterrupt:
        return 0
