"""A machine in a mount namespace: own /etc, /tmp, /var/lib and /media, own logins, and a service as its unit says.

Needs root, or sudo without a password.
"""

import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path

ROOT = Path(__file__).parents[3]
AS_ROOT = [] if os.geteuid() == 0 else ["sudo", "-n"]
LOGINS = {"daq": 64991, "ann": 64001, "ben": 64002}
"""User ids: the service's, a member of its group, and one who is not."""
PYTHON = f"/mnt/python/bin/python3.{sys.version_info.minor}"
WRITABLE = ("/dev", "/proc", "/sys")
"""Folders that ProtectSystem=strict leaves writable (systemd.exec(5))."""


def is_possible() -> bool:
    """Return True if this machine permits mount namespaces."""
    command = [*AS_ROOT, "unshare", "--mount", "mount", "-t", "tmpfs", "tmpfs", "/mnt"]
    return shutil.which("unshare") is not None and subprocess.run(command, capture_output=True).returncode == 0


def settings_of(unit: str) -> dict[str, list[str]]:
    """Return the settings of a unit file by name."""
    found: dict[str, list[str]] = {}
    for line in unit.splitlines():
        name, sign, value = line.partition("=")
        if sign and not line.startswith("#"):
            found.setdefault(name.strip(), []).append(value.strip())
    return found


def isolation(unit: dict[str, list[str]]) -> str:
    """Return the shell commands that make the mounts of a unit (systemd.exec(5)), in a new mount namespace."""
    on = {name for name, values in unit.items() if values[-1] in ("yes", "strict")}
    lines = []
    keep = [f"/var/lib/{name}" for name in unit.get("StateDirectory", [])]
    keep += [path for text in unit.get("ReadWritePaths", []) for path in text.split()]
    if "ProtectSystem" in on:
        for path in keep:
            must = "" if path.startswith("-") else " || exit 90"
            where = path.removeprefix("-")
            lines.append(f"[ ! -e {where} ] || mount --bind {where} {where}{must}")
        kept = "|".join([*(f"{path}|{path}/*" for path in (*WRITABLE, *(p.removeprefix("-") for p in keep)))])
        lines.append(
            "while read -r _ _ _ _ place _; do case $place in "
            f"{kept}) ;; *) mount -o remount,bind,ro $place 2>/dev/null || true ;; esac; done < /proc/self/mountinfo"
        )
        lines.append("! touch /usr/.daq-probe 2>/dev/null || exit 91")
    if "PrivateTmp" in on:
        lines += [f"mount -t tmpfs -o mode=1777 tmpfs {place}" for place in ("/tmp", "/var/tmp")]
    if "ProtectHome" in on:
        lines += [f"[ ! -d {p} ] || mount -t tmpfs -o mode=000 tmpfs {p}" for p in ("/home", "/root", "/run/user")]
    return "\n".join(lines)


class Machine:
    """The namespace; `close` ends everything in it."""

    def __init__(self, folder: Path, unit: str) -> None:
        self.unit = settings_of(unit)
        for name in ("lib", "media", "home"):
            (folder / name).mkdir()
        subprocess.run([*AS_ROOT, "cp", "-a", "/etc", str(folder / "etc")], check=True, capture_output=True)
        users = "".join(f"{name}:x:{uid}:{uid}::/home/{name}:/bin/sh\\n" for name, uid in LOGINS.items())
        groups = "".join(f"{n}:x:{uid}:{'ann' if n == 'daq' else ''}\\n" for n, uid in LOGINS.items())
        homes = " && ".join(f"mkdir /home/{name} && chown {name}: /home/{name}" for name in ("ann", "ben"))
        packages = sysconfig.get_path("purelib")
        setup = f"""
set -e
mount -t tmpfs -o mode=755 tmpfs /mnt
mkdir /mnt/source /mnt/python /mnt/packages
mount --bind {ROOT} /mnt/source
mount --bind {sys.base_prefix} /mnt/python
mount --bind {packages} /mnt/packages
mount --bind {folder}/etc /etc
mount --bind {folder}/lib /var/lib
mount --bind {folder}/media /media
mount --bind {folder}/home /home
chmod 755 /var/lib /media /home
mount -t tmpfs -o mode=1777 tmpfs /tmp
printf '{users}' >> /etc/passwd
printf '{groups}' >> /etc/group
{homes}
mkdir -p /media/stick /etc/daq && chown ann: /media/stick && chmod 755 /etc/daq
mkdir -m {self.unit["StateDirectoryMode"][0]} /var/lib/daq && chown {self.unit["User"][0]}:{self.unit["Group"][0]} /var/lib/daq
echo ready
exec sleep 3600
"""
        self.holder = subprocess.Popen(
            [*AS_ROOT, "unshare", "--mount", "--propagation", "private", "bash", "-c", setup],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert self.holder.stdout is not None
        assert self.holder.stderr is not None
        assert self.holder.stdout.readline() == "ready\n", self.holder.stderr.read()
        self.service: subprocess.Popen[bytes] | None = None
        self.log = folder / "service.log"

    def _inside(self) -> list[str]:
        pid = self.holder.pid
        if AS_ROOT:
            pid = int(subprocess.run(["pgrep", "-P", str(pid)], capture_output=True, text=True, check=True).stdout)
        return [*AS_ROOT, "nsenter", f"--mount=/proc/{pid}/ns/mnt", "--wd=/"]

    def _daq(self, login: str, env: dict[str, str]) -> list[str]:
        given = {
            "PATH": "/usr/bin:/bin",
            "HOME": f"/home/{login}",
            "PYTHONPATH": "/mnt/source:/mnt/packages",
            "PYTHONDONTWRITEBYTECODE": "1",
            "LD_LIBRARY_PATH": "/mnt/python/lib",  # of an interpreter that was moved here with its library
            **env,
        }
        user = ["setpriv", "--reuid", login, "--regid", login, "--init-groups", "--no-new-privs"]
        return [*user, "env", "-i", *(f"{k}={v}" for k, v in given.items()), PYTHON, "-m", "daq"]

    def start(self) -> None:
        """Start the service as its unit says: login, mounts, file mode mask, state directory, arguments."""
        unit = self.unit
        arguments = unit["ExecStart"][0].split()[1:]
        state = f"/var/lib/{unit['StateDirectory'][0]}"
        command = " ".join([*self._daq(unit["User"][0], {"STATE_DIRECTORY": state}), *arguments])
        script = f"{isolation(unit)}\numask {unit['UMask'][0]}\nexec {command}"
        with self.log.open("wb") as out:
            self.service = subprocess.Popen(
                [*self._inside(), "unshare", "--mount", "--propagation", "private", "bash", "-c", script],
                stdout=out,
                stderr=out,
            )

    def daq(self, login: str, *arguments: str, **env: str) -> "subprocess.CompletedProcess[str]":
        """Run a command of `daq` as a login."""
        command = [*self._inside(), *self._daq(login, env), *arguments]
        return subprocess.run(command, capture_output=True, text=True, timeout=60)

    def shell(self, command: str) -> str:
        """Run a shell command as root inside the machine, and return its output."""
        done = subprocess.run([*self._inside(), "bash", "-c", command], capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr
        return done.stdout

    def close(self) -> None:
        """End the service and the namespace."""
        for process in (self.service, self.holder):
            if process is not None and process.poll() is None:
                if AS_ROOT:
                    subprocess.run([*AS_ROOT, "kill", str(process.pid)], check=False)
                else:
                    process.terminate()
                process.wait(30)
        for stream in (self.holder.stdout, self.holder.stderr):
            if stream is not None:
                stream.close()
