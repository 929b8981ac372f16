"""Whatever reads a file: with an example that is right, and what a user may be told of one that is wrong.

For tests/properties/test_reader_fuzz.py and tests/benchmarks/campaign.py, which damage the examples.
"""

from __future__ import annotations

import io
import json
import tempfile
import warnings
from pathlib import Path

import numpy as np
import soundfile

from acoustics.base.errors import InputError
from acoustics.base.toml_tables import read_json
from acoustics.io.navigation import COLUMNS, read_navigation
from acoustics.io.navigation_stream import NavigationLog, RowReader
from acoustics.io.ping import Candidate, NavigatedPose, Ping
from acoustics.io.ping_lines import ping_from_line, ping_line, read_pings
from acoustics.io.sidecar import read_sidecar, sidecar_table
from acoustics.io.site_sketch import read_sketch, sketch_text
from acoustics.io.streams import RawFormat, stream_raw, stream_raw_file, stream_recording
from acoustics.scene.scenario import load_array, load_scene, shipped
from acoustics.study.calibrate.inputs import read_sources
from acoustics.study.execution.store import ChunkStore
from acoustics.study.live import LiveRun
from acoustics.study.simulate import sketch_of_scene
from acoustics.study.simulate.scene_sidecar import sidecar_of_scene
from acoustics.study.validate.answer import EstimatorFailure, answer_of_line
from acoustics.study.validate.exchange import read_results

SCENE = load_scene(shipped("examples")["mallard-basin"])
SIDECAR = sidecar_of_scene(SCENE)
RATE = SIDECAR.sample_rate_hz
CHUNK = {"error": np.linspace(0, 1, 20), "reason": np.array(["", "too weak"] * 10)}
COUNTS = np.random.default_rng(1).integers(-2000, 2000, (50, 4)).astype("<i2")
PING = Ping(
    ping=1, pinger="amber pinger", time_s=1.25, frequency_hz=30e3, ok=True, reason="", energy_ratio_db=17.3, window_s=8e-5,
    method="phase", integer_probability=0.999, channels=("a", "b", "c"), hydrophones_m=np.eye(3) / 10,
    tolerances_m=np.full(3, 1e-3), reference=0, tdoa_s=np.array([1e-6, 2e-6]),
    tdoa_covariance_s2=np.array([[2e-14, 1e-14], [1e-14, 2e-14]]),
    skew_sd_s=2e-7, flags=("a channel failed",),
    sound_speed_m_s=1480.0, sound_speed_sd_m_s=1.0, p_value=0.5, candidates=(Candidate(0.1, 0.2, 0.01, np.inf),),
    position_m=np.array([3.0, 1.0, 0.5]), position_covariance_m2=np.diag([1.0, 0.1, 0.2]), position_reason="",
    pose=NavigatedPose((1.0, 2.0, 0.8), 0.01, 0.02, 0.3, 0.5, 0.05, 0.01, 0.01, 0.03), depth_m=2.4, depth_sd_m=0.1,
    site_bearing=(0.4,), site_position_m=np.array([4.0, 3.0, 1.3]),
)  # fmt: skip


def samples_of(path):
    """All samples of a stream; what comes through is finite."""
    raw = RawFormat("int16", False, 4, RATE)
    stream = stream_raw_file(path, raw, SIDECAR) if path.suffix == ".raw" else stream_recording(path, SIDECAR)
    for block in stream.blocks:
        assert np.isfinite(block).all()


def samples_of_a_pipe(path):
    """The same, of what comes in no file."""
    with open(path, "rb") as pipe, warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # that it ends within a sample
        for block in stream_raw(pipe, RawFormat("int32", False, 4, RATE), SIDECAR, source=str(path)).blocks:
            assert np.isfinite(block).all()


def answer_in(path):
    """What a program printed; the reason why it does not count stands in the place of a refusal."""
    try:
        answer = answer_of_line(path.read_bytes())
    except EstimatorFailure as failure:
        assert 0 < len(str(failure)) < 300 and str(failure).isprintable()
        return
    assert answer.refused or np.isfinite(answer.bearings).all()


def chunk_in(path):
    """A finished chunk of a study; one that is damaged counts as not finished."""
    path.replace(path.parent / "chunk-000000.npz")
    for chunk in ChunkStore(path.parent, "study", 1).finished().values():
        assert np.array_equal(chunk["error"], CHUNK["error"]) and chunk["reason"].tolist() == CHUNK["reason"].tolist()


def state_of(path):
    """A run is taken up from it."""
    LiveRun(SCENE, navigation=NavigationLog("nav")).restore(read_json(path, 10**7, "a state"), str(path))


def rows_of(path):
    """Poses that come line by line: a wrong one is refused by its number, and the next is taken."""
    reader, wrong = RowReader(str(path)), None
    for line in path.read_bytes().splitlines(keepends=True):
        try:
            row = reader.take(line)
        except InputError as error:
            wrong = InputError(str(path), "", str(error).removeprefix(f"{path}: "))
        else:
            assert row is None or np.isfinite(row).all()
    if wrong is not None:
        raise wrong


def lines_from(path):
    """Ping lines that come one by one."""
    for number, line in enumerate(path.read_bytes().splitlines(), 1):
        if line.strip():
            ping_from_line(line, f"{path}: line {number}")


def results_of(path):
    read_results(path, 20)


def chunk_bytes():
    with tempfile.TemporaryDirectory() as folder:
        ChunkStore(Path(folder), "study", 1).keep(0, CHUNK)
        return Path(folder, "chunk-000000.npz").read_bytes()


def npy_bytes():
    file = io.BytesIO()
    np.save(file, COUNTS.astype(np.float32))
    return file.getvalue()


def table_text(header, rows):
    return "\n".join([header, *(",".join(map(repr, row)) for row in rows)]).encode() + b"\n"


def state_bytes():
    run = LiveRun(SCENE, navigation=NavigationLog("nav"))
    run.steer([(0.5 * k, 1.0 + k, 2.0, 0.8, 0.0, 1.5, 90.0 + k) for k in range(8)])
    run.take(PING)
    return json.dumps(run.table(), indent=1).encode()


NAVIGATION = table_text(",".join(COLUMNS), [(0.5 * k, 1.0 + k, 2.0, 0.8, 0.0, 1.5, 90.0 + k) for k in range(8)])
RESULTS = table_text("ping,bearing_deg,bearing_sd_deg", [(k, 12.5 * k, 2.0) for k in range(1, 9)])
SOURCES = table_text("ping,x_m,y_m,z_m", [(k, 12.5, 2.0, 1.5) for k in range(1, 9)])


def sound_bytes(kind, subtype="PCM_16"):
    file = io.BytesIO()
    soundfile.write(file, COUNTS, int(RATE), subtype, format=kind)
    return file.getvalue()


# What reads a file, the end of its name, and one that is right.
FILES = {
    **{name: (load_scene, ".toml", path.read_bytes()) for name, path in shipped("examples").items()},
    **{name: (load_array, ".toml", path.read_bytes()) for name, path in shipped("arrays").items()},
    "navigation": (read_navigation, ".csv", NAVIGATION),
    "state of a live run": (state_of, ".json", state_bytes()),
    "live navigation": (rows_of, ".csv", NAVIGATION),
    "live ping lines": (lines_from, ".jsonl", f"{ping_line(PING)}\n".encode() * 3),
    "site sketch": (read_sketch, ".toml", sketch_text(sketch_of_scene(SCENE)).encode()),
    "answer of a program": (
        answer_in,
        ".json",
        b'{"bearings_deg": [12.5, 167.5], "depression_deg": 3.5, "bearing_sd_deg": 1.5}\n',
    ),
    "finished chunk": (chunk_in, ".npz", chunk_bytes()),
    "raw samples of a pipe": (samples_of_a_pipe, ".pcm", COUNTS.astype("<i4").tobytes()),
    "results": (results_of, ".csv", RESULTS),
    "source places": (read_sources, ".csv", SOURCES),
    "pings": (read_pings, ".jsonl", f"{ping_line(PING)}\n".encode() * 3),
    "sidecar": (read_sidecar, ".json", json.dumps(sidecar_table(SIDECAR), indent=1).encode()),
    "samples in csv": (
        samples_of,
        ".csv",
        table_text(",".join(c.name for c in SIDECAR.channels), (COUNTS * 1.5).tolist()),
    ),
    "samples in npy": (samples_of, ".npy", npy_bytes()),
    "raw samples": (samples_of, ".raw", COUNTS.tobytes()),
    "wav": (samples_of, ".wav", sound_bytes("WAV")),
    "float wav": (samples_of, ".wav", sound_bytes("WAV", "FLOAT")),
    "rf64": (samples_of, ".wav", sound_bytes("RF64", "PCM_24")),
    "w64": (samples_of, ".w64", sound_bytes("W64")),
    "flac": (samples_of, ".flac", sound_bytes("FLAC")),
}


def loads_or_says_why(load, path, content):
    """Whether the file loads; if not, the error is the one line that a user should see."""
    path.write_bytes(content)
    try:
        load(path)
    except InputError as error:
        text = str(error)
        assert text.startswith(f"{path}: "), text
        assert text.isprintable(), text
        assert len(text) < 3000
        return False
    return True
