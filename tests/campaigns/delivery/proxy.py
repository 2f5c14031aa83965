"""A network connection between daemon and broker that can be cut or can lose all bytes."""

import contextlib
import select
import socket
import threading


class Proxy:
    """Forwards connections to a port of this machine, in separate threads."""

    def __init__(self, target: int) -> None:
        self._target = target
        self._cut = threading.Event()
        self._swallows = threading.Event()
        self._ended = threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.1)
        self.port: int = self._server.getsockname()[1]
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def cut(self) -> None:
        """Close all connections and refuse new ones."""
        self._cut.set()

    def swallow(self) -> None:
        """Keep connections open and lose all bytes."""
        self._swallows.set()

    def mend(self) -> None:
        """Forward again."""
        self._cut.clear()
        self._swallows.clear()

    def close(self) -> None:
        self._ended.set()
        self._thread.join()
        self._server.close()

    def _accept(self) -> None:
        while not self._ended.is_set():
            with contextlib.suppress(OSError):
                near, _ = self._server.accept()
                threading.Thread(target=self._pass_on, args=(near,), daemon=True).start()

    def _pass_on(self, near: socket.socket) -> None:
        with contextlib.suppress(OSError), near, socket.create_connection(("127.0.0.1", self._target), 2) as far:
            while not self._ended.is_set() and not self._cut.is_set():
                readable, _, _ = select.select([near, far], [], [], 0.05)
                for one in readable:
                    data = one.recv(65536)
                    if not data:
                        return
                    if not self._swallows.is_set():
                        (far if one is near else near).sendall(data)
