"""A cable between a browser and a page: it can be cut, be held without a word as by a failed switch, and be mended."""

import select
import socket
import threading


class Cable:
    """Passes bytes between a port of its own and the page; a thread serves all connections."""

    def __init__(self, port: int) -> None:
        """`port`: that of the page."""
        self._to = ("127.0.0.1", port)
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listening.getsockname()[1])
        self.held = False
        """True: what is sent stays in the cable; no connection ends, and none begins."""
        self._pairs: dict[socket.socket, socket.socket] = {}
        self._silent: dict[socket.socket, socket.socket] = {}
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def hold(self) -> None:
        """Pass nothing any more, and end no connection: a browser hears nothing, and no error either."""
        self.held = True

    def cut(self) -> None:
        """End all connections, and hold new ones."""
        with self._lock:
            self.held = True
            self._end_all()

    def mend(self, *, new_connections: bool = False) -> None:
        """Pass again; `new_connections`: those of before stay silent, as behind a router that has forgotten them."""
        with self._lock:
            if new_connections:
                self._silent |= self._pairs
                self._pairs.clear()
            self.held = False

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        self._listening.close()
        self._end_all()
        for one in self._silent:
            one.close()

    def _end_all(self) -> None:
        for one in list(self._pairs):
            one.close()
        self._pairs.clear()

    def _serve(self) -> None:
        while not self._ending.is_set():
            if self.held:
                self._ending.wait(0.02)
                continue
            with self._lock:
                watched = [self._listening, *self._pairs]
            try:
                ready, _, _ = select.select(watched, [], [], 0.02)
            except (OSError, ValueError):
                continue  # closed by a cut in the meantime
            with self._lock:
                if not self.held:
                    for one in ready:
                        self._pass(one)

    def _pass(self, one: socket.socket) -> None:
        if one is self._listening:
            near, _ = one.accept()
            try:
                far = socket.create_connection(self._to)
            except OSError:
                near.close()
                return
            self._pairs |= {near: far, far: near}
            return
        other = self._pairs.get(one)
        if other is None:
            return
        try:
            data = one.recv(65536)
            if data:
                other.sendall(data)
                return
        except OSError:
            pass
        for end in (one, other):
            self._pairs.pop(end, None)
            end.close()
