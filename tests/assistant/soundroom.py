"""A room without hardware: PulseAudio with a virtual microphone and a virtual loudspeaker.

`paplay` into the sink `mic` is what the microphone hears; the monitor of the
sink `speaker` is what the loudspeaker says. ALSA's default is sent to PulseAudio,
so that `sounddevice` sees an ordinary machine. The sound library reads its
settings once in a process, so whatever uses it runs in a process of its own.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ALSA = """</usr/share/alsa/alsa.conf>
pcm.!default { type pulse hint { show on description "Virtual" } }
ctl.!default { type pulse }
"""
PROGRAMS = ("pulseaudio", "pactl", "paplay", "parecord")
MIC, SPEAKER = "mic", "speaker"
REPO = Path(__file__).parents[2]


class SoundRoom:
    """Start with `start`, end with `end`. env: for processes that live in the room."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="room-"))
        run = self.folder / "run"
        run.mkdir(mode=0o700)
        (self.folder / "asound.conf").write_text(ALSA)
        kept = {name: value for name, value in os.environ.items() if not name.startswith("PULSE_")}
        self.env = {
            **kept,
            "HOME": str(self.folder),
            "XDG_RUNTIME_DIR": str(run),
            "ALSA_CONFIG_PATH": str(self.folder / "asound.conf"),
            "PYTHONPATH": str(REPO),
        }
        self._pid: int | None = None

    def start(self) -> None:
        """Start the sound server with its microphone and loudspeaker, from silence."""
        loads = [
            "module-native-protocol-unix",
            f"module-null-sink sink_name={MIC} rate=16000 channels=1",
            f"module-null-sink sink_name={SPEAKER} rate=16000 channels=1",
        ]
        self._call(
            "pulseaudio",
            "--start",
            "-n",
            "--exit-idle-time=-1",
            "--disable-shm=yes",
            *(f"--load={load}" for load in loads),
        )
        self._pid = int((self.folder / "run" / "pulse" / "pid").read_text())
        self.pactl("set-default-sink", SPEAKER)
        self.pactl("set-default-source", f"{MIC}.monitor")

    def end(self) -> None:
        """Stop the server and remove the room."""
        self.kill()
        shutil.rmtree(self.folder, ignore_errors=True)

    def kill(self) -> None:
        """The whole sound server dies at once."""
        if self._pid is None:
            return
        os.kill(self._pid, signal.SIGKILL)
        for _ in range(1000):
            if not _runs(self._pid):
                break
            time.sleep(0.01)
        # A killed server leaves its socket behind, which the next one takes for a living one.
        shutil.rmtree(self.folder / "run" / "pulse", ignore_errors=True)
        self._pid = None

    def take_away(self, sink: str) -> None:
        """Unplug the microphone (`MIC`) or the loudspeaker (`SPEAKER`)."""
        modules = [line.split("\t") for line in self.pactl("list", "short", "modules").splitlines()]
        for number in [line[0] for line in modules if line[1] == "module-null-sink" and f"sink_name={sink}" in line[2]]:
            self.pactl("unload-module", number)

    def give_back(self, sink: str) -> None:
        """Plug it in again."""
        self.pactl("load-module", "module-null-sink", f"sink_name={sink}", "rate=16000", "channels=1")
        if sink == MIC:
            self.pactl("set-default-source", f"{MIC}.monitor")
        else:
            self.pactl("set-default-sink", SPEAKER)

    def play(self, path: Path) -> None:
        """Somebody speaks into the microphone: a sound file, to its end."""
        self._call("paplay", f"--device={MIC}", str(path))

    def record(self, path: Path) -> subprocess.Popen:
        """Record what the loudspeaker says as WAV, until `stop_recording`."""
        recorder = subprocess.Popen(
            ["parecord", f"--device={SPEAKER}.monitor", "--rate=16000", "--channels=1", "--file-format=wav", str(path)],
            env=self.env,
        )
        for _ in range(500):
            if (
                path.exists()
                and SPEAKER in self.pactl("list", "short", "sources")
                and self.pactl("list", "short", "source-outputs")
            ):
                break
            time.sleep(0.01)
        return recorder

    def echo(self, delay: int = 20) -> None:
        """The loudspeaker stands beside the microphone: what it says is heard, after so many ms more than it takes."""
        self.pactl(
            "load-module", "module-loopback", f"source={SPEAKER}.monitor", f"sink={MIC}", f"latency_msec={delay}"
        )

    def python(self, code: str, *arguments: str) -> subprocess.Popen:
        """A Python process in the room, with the repository on its path and its output as text lines."""
        return subprocess.Popen(
            [sys.executable, "-u", "-X", "faulthandler", "-c", code, *arguments],
            env=self.env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            cwd=REPO,
        )

    def pactl(self, *words: str) -> str:
        """Ask the sound server."""
        return self._call("pactl", *words)

    def _call(self, *words: str) -> str:
        done = subprocess.run(words, env=self.env, capture_output=True, text=True, timeout=60)
        if done.returncode:
            raise RuntimeError(f"{' '.join(words)}: {done.stderr.strip()}")
        return done.stdout


def _runs(pid: int) -> bool:
    try:
        return " Z " not in Path(f"/proc/{pid}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False


def stop_recording(recorder: subprocess.Popen) -> None:
    """End a recording; the file is whole afterwards."""
    recorder.send_signal(signal.SIGINT)
    recorder.wait(10)


def lacking() -> list[str]:
    """Programs and plugins that this machine lacks for a room."""
    found = [program for program in PROGRAMS if shutil.which(program) is None]
    plugins = list(Path("/usr/lib").glob("*/alsa-lib/libasound_module_pcm_pulse.so"))
    return found if plugins else [*found, "libasound2-plugins"]
