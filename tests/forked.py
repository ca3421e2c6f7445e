"""A process of ours without the wait for its imports.

A server, one for each test process, has all of `capturehook` loaded; each call is a fork of it
with arguments, folder, environment and streams of its own. It stands for `python SCRIPT ...`,
`python -m MODULE ...` and `python -c PROGRAM ...`; what Python itself does at its start (switches,
encodings, closed streams) is tried with real processes.
"""

from __future__ import annotations

import atexit
import json
import os
import runpy
import signal
import socket
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

LENGTH = 4
"""Bytes that hold the length of a message."""
_server: subprocess.Popen[bytes]


def run(
    words: Sequence[str | Path],
    cwd: Path | str | None = None,
    env: Mapping[str, str] | None = None,
    stdin: bytes = b"",
    timeout: float = 120,
) -> subprocess.CompletedProcess[bytes]:
    """As `subprocess.run(words, capture_output=True)`; ``words`` begin behind the Python's name.

    Raises `TimeoutError` after ``timeout`` seconds.
    """
    ask = {
        "words": [str(word) for word in words],
        "cwd": str(cwd or Path.cwd()),
        "env": dict(os.environ if env is None else env),
    }
    with (
        tempfile.TemporaryFile() as given,
        tempfile.TemporaryFile() as out,
        tempfile.TemporaryFile() as err,
    ):
        given.write(stdin)
        given.seek(0)
        line = _line()
        line.settimeout(timeout)
        body = json.dumps(ask).encode()
        streams = [given.fileno(), out.fileno(), err.fileno()]
        socket.send_fds(line, [len(body).to_bytes(LENGTH, "big")], streams)
        line.sendall(body)
        code = int.from_bytes(_all(line, LENGTH), "big", signed=True)
        out.seek(0)
        err.seek(0)
        return subprocess.CompletedProcess(ask["words"], code, out.read(), err.read())


@cache
def _line() -> socket.socket:
    ours, theirs = socket.socketpair()
    global _server
    _server = subprocess.Popen(
        [sys.executable, "-m", "tests.forked", str(theirs.fileno())],
        pass_fds=[theirs.fileno()],
        cwd=Path(__file__).parents[1],
        stdin=subprocess.DEVNULL,
    )
    theirs.close()
    atexit.register(_stop, ours)
    return ours


def _stop(line: socket.socket) -> None:
    line.close()
    _server.wait(timeout=10)


def _all(line: socket.socket, size: int) -> bytes:
    data = b""
    while len(data) < size:
        more = line.recv(size - len(data))
        if not more:
            raise EOFError("the other side has gone")
        data += more
    return data


def serve(line: socket.socket) -> None:
    import capturehook.cli.main
    import capturehook.hosts.edit
    import capturehook.hosts.watch  # noqa: F401

    while True:
        head, streams, _, _ = socket.recv_fds(line, LENGTH, 3)
        if not head:
            return
        ask = json.loads(_all(line, int.from_bytes(head, "big")))
        child = os.fork()
        if not child:
            line.close()
            _be(ask, streams)
        for stream in streams:
            os.close(stream)
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        line.sendall(code.to_bytes(LENGTH, "big", signed=True))


def _be(ask: dict[str, Any], streams: Sequence[int]) -> None:
    """The process asked for; never comes back."""
    code: object = 1
    try:
        for number, stream in enumerate(streams):
            os.dup2(stream, number)
            os.close(stream)
        os.chdir(ask["cwd"])
        os.environ.clear()
        os.environ.update(ask["env"])
        signal.signal(signal.SIGINT, signal.default_int_handler)
        code = _program(ask["words"])
    except SystemExit as left:
        code = left.code
    except KeyboardInterrupt:
        code = 130
    except BaseException:
        traceback.print_exc()
    if isinstance(code, str):
        print(code, file=sys.stderr)
        code = 1
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(int(code or 0))  # type: ignore[call-overload]


def _program(words: list[str]) -> int:
    kind, *rest = words
    if kind == "-c":
        sys.argv = ["-c", *rest[1:]]
        exec(rest[0], {"__name__": "__main__"})
    elif kind == "-m":
        sys.argv = rest
        runpy.run_module(rest[0], run_name="__main__", alter_sys=True)
    else:
        sys.argv = words
        sys.path[0] = str(Path(kind).parent)
        runpy.run_path(kind, run_name="__main__")
    return 0


if __name__ == "__main__":
    serve(socket.socket(fileno=int(sys.argv[1])))
