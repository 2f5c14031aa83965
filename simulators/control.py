"""Control socket of a running simulator: a Unix stream socket that answers each line with one line."""

import contextlib
import socket
from collections.abc import Callable
from pathlib import Path

LONGEST_LINE = 1024


class ControlSocket:
    """Serves any number of clients without waiting."""

    def __init__(self, path: Path, answer: Callable[[str], str]) -> None:
        if path.exists() and not path.is_socket():
            raise FileExistsError(f"{path}: exists and is not a socket; choose another path for --control")
        path.unlink(missing_ok=True)
        self._path = path
        self._answer = answer
        self._clients: dict[socket.socket, bytes] = {}
        self._listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._listener.bind(str(path))
        self._listener.listen()
        self._listener.setblocking(False)

    def descriptors(self) -> list[int]:
        """File descriptors to wait on for reading."""
        return [self._listener.fileno(), *(client.fileno() for client in self._clients)]

    def serve(self) -> None:
        """Accept new clients and answer the lines received."""
        with contextlib.suppress(BlockingIOError):
            while True:
                client, _ = self._listener.accept()
                client.setblocking(False)
                self._clients[client] = b""
        for client in list(self._clients):
            self._serve(client)

    def _serve(self, client: socket.socket) -> None:
        try:
            data = client.recv(LONGEST_LINE)
            if not data:
                raise ConnectionResetError
            *lines, rest = (self._clients[client] + data).split(b"\n")
            self._clients[client] = rest[-LONGEST_LINE:]
            for line in lines:
                client.send(self._answer(line.decode("utf-8", "replace").strip()).encode() + b"\n")
        except BlockingIOError:
            return
        except ConnectionError:
            client.close()
            del self._clients[client]

    def close(self) -> None:
        """Close all connections and remove the socket's file."""
        for client in self._clients:
            client.close()
        self._clients.clear()
        self._listener.close()
        self._path.unlink(missing_ok=True)
