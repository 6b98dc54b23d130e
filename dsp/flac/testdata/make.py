#!/usr/bin/env python3
"""Makes the FLAC files beside it, with Debian's flac 1.4.2 and sox 14.4.2.

The samples are made by integer arithmetic alone, so that the tests make the
same again without these programs: see samples() in flac_test.go.
"""
import pathlib, struct, subprocess, tempfile

HERE = pathlib.Path(__file__).parent


def samples(n, channels, bits):
    """A walk that both channels share, noise of their own, and the extremes."""
    top = 1 << (bits - 1)
    state, walk, out = 12345, 0, []

    def draw():
        nonlocal state
        state = (state * 1664525 + 1013904223) % (1 << 32)
        return state >> 16

    for i in range(n):
        walk = (walk * 31) // 32 + (draw() - 32768) * (top >> 15) // 4
        for c in range(channels):
            v = walk + (draw() - 32768) * (top >> 15) // 64
            if i % 701 == 13:
                v = top - 1 if c == 0 else -top
            out.append(max(-top, min(top - 1, v)))
    return out


def wav(path, rate, channels, bits, n):
    size = bits // 8
    data = b"".join((v & ((1 << bits) - 1)).to_bytes(size, "little") for v in samples(n, channels, bits))
    head = struct.pack("<4sI4s4sIHHIIHH4sI", b"RIFF", 36 + len(data), b"WAVE", b"fmt ", 16, 1, channels,
                       rate, rate * channels * size, channels * size, bits, b"data", len(data))
    path.write_bytes(head + data)


for name, rate, channels, bits, tool in [
    ("flac-16-mono-44100", 44100, 1, 16, "flac -8"),
    ("flac-16-stereo-48000", 48000, 2, 16, "flac -5"),
    ("flac-24-stereo-96000", 96000, 2, 24, "flac -8"),
    ("flac-24-stereo-192000", 192000, 2, 24, "flac -0"),
    ("flac-16-stereo-176400", 176400, 2, 16, "flac -8 -b 1000 --lax"),
    ("sox-24-mono-88200", 88200, 1, 24, "sox"),
    ("sox-16-stereo-44100", 44100, 2, 16, "sox"),
]:
    with tempfile.TemporaryDirectory() as d:
        src = pathlib.Path(d) / "a.wav"
        wav(src, rate, channels, bits, 5000)
        dst = HERE / (name + ".flac")
        if tool == "sox":
            subprocess.run(["sox", "-D", str(src), str(dst)], check=True)
        else:
            subprocess.run([*tool.split(), "--silent", "--force", "--no-padding", "-o", str(dst), str(src)], check=True)
