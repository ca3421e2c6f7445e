"""Frames in, a film file out, one frame at a time; BT.709 throughout.

The film is written to a scrap beside its place and put there when it is whole, so that a
fault, a full disk or a stop never leaves half a film.

    with open_film(path, 1280, 720, Fraction(30)) as film:
        film.add(rgb)
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from capturehook.errors import FileError, FrameError
from capturehook.files import replacing
from capturehook.film.codecs import Codec, check_size, codec_for, container_of, encoder_of
from capturehook.frames.needs import opencv, pyav
from capturehook.physics.colour import BT709_WEIGHTS

Quality = Literal["small", "good", "fine"]
BT709_TAG = 1  # colour primaries, transfer and matrix of ITU-R BT.709 in H.273 code points
NARROW_RANGE = 1
KEY_FRAME_EVERY_S = 2
LOOK_AHEAD_PX = 45e6
LARGE_PX = 4_000_000
"""Of larger films each picture that is held, in the encoder or drawn ahead, takes 25 to 70 MB."""
LARGE_H264 = {"rc-lookahead": "2", "weightp": "0", "refs": "1", "bf": "0"}
"""Frames that wait for later ones are held, so there are none."""
LARGE_RATE_FACTOR = -1
"""And that costs: with them two drawn films of 24 frames of 3840 x 2160 px had 40.72 dB in 1.27 MB
and 39.93 dB in 1.44 MB (PSNR of luma), without them 40.18 in 1.34 and 39.00 in 1.28; at the rate
factor below, 40.65 in 1.69 and 39.56 in 1.48."""


class Film:
    """An open film; made by :func:`open_film`. ``frames`` counts what was added."""

    def __init__(
        self,
        container: Any,
        stream: Any,
        size: tuple[int, int],
        level: str | None,
        deep: bool = False,
    ):
        self.width_px, self.height_px = size
        self.level = level
        self.deep = deep
        self.frames = 0
        self._container = container
        self._stream = stream

    def add(self, rgb: NDArray[Any], repeat: int = 1) -> None:
        """Add one frame, shown ``repeat`` times.

        Parameters
        ----------
        rgb : (height, width, 3) coded sRGB, uint8; for a master of 10 bits uint16 too

        Raises
        ------
        FrameError
            Another size or type than the film was opened with.
        """
        wanted = (self.height_px, self.width_px, 3)
        kinds = (np.uint8, np.uint16) if self.deep else (np.uint8,)
        if rgb.shape != wanted or rgb.dtype not in kinds:
            raise FrameError(
                f"film frame {self.frames + 1}",
                f"is {rgb.dtype} of shape {rgb.shape}, the film takes uint8 of shape {wanted}",
                "Scale the frame to the film's size first",
            )
        for _ in range(repeat):
            self._encode(np.ascontiguousarray(rgb))

    def _encode(self, rgb: NDArray[Any]) -> None:
        coded = _ten_bit_frame(rgb) if self.deep else self._eight_bit_frame(rgb)
        coded.pts = self.frames
        coded.time_base = self._stream.codec_context.time_base
        self._container.mux(self._stream.encode(coded))
        self.frames += 1

    def _eight_bit_frame(self, rgb: NDArray[np.uint8]) -> Any:
        picture = pyav().VideoFrame.from_ndarray(rgb, format="rgb24")
        # Without naming both matrices the scaler would use the one of BT.601.
        return picture.reformat(
            format=self._stream.codec_context.pix_fmt,
            src_colorspace="ITU709",
            dst_colorspace="ITU709",
            src_color_range="JPEG",
            dst_color_range="MPEG",
        )

    def _finish(self) -> None:
        self._container.mux(self._stream.encode(None))


def _ten_bit_frame(rgb: NDArray[Any]) -> Any:
    """Y'CbCr of BT.709, narrow range, 10 bits, colour at half width beside each even pixel.

    The library's own scaler is off by up to three codes from 16-bit pictures.
    Source: ITU-R BT.709, items 3.2 to 3.5 with n = 10.
    """
    cv = opencv()
    white = np.float32(255 if rgb.dtype == np.uint8 else 65_535)
    luma = np.array(BT709_WEIGHTS)
    blue = (np.array([0, 0, 1]) - luma) / 1.8556
    red = (np.array([1, 0, 0]) - luma) / 1.5748
    matrix = np.stack([luma * 876, blue * 896, red * 896]) / white
    offset = np.array([[64], [512], [512]])
    coded = cv.transform(rgb.astype(np.float32), np.hstack([matrix, offset]).astype(np.float32))
    colour = cv.sepFilter2D(
        coded[..., 1:], -1, np.array([0.25, 0.5, 0.25], np.float32), np.ones(1, np.float32)
    )[:, ::2]
    frame = pyav().VideoFrame(rgb.shape[1], rgb.shape[0], "yuv422p10le")
    for plane, part in zip(
        frame.planes, (coded[..., 0], colour[..., 0], colour[..., 1]), strict=True
    ):
        rows = np.frombuffer(plane, np.uint16).reshape(part.shape[0], -1)
        rows[:, : part.shape[1]] = np.rint(part).clip(4, 1019)
    frame.color_primaries = frame.color_trc = frame.colorspace = BT709_TAG
    frame.color_range = NARROW_RANGE
    return frame


@contextmanager
def open_film(
    path: Path | str,
    width_px: int,
    height_px: int,
    fps: Fraction,
    codec: str = "h264",
    *,
    quality: Quality = "good",
    metadata: dict[str, str] | None = None,
) -> Iterator[Film]:
    """Open a film for writing; leaving the block well puts it in its place.

    Parameters
    ----------
    path : its ending chooses the container: .mp4 .m4v .mov .mkv .webm
    width_px, height_px : both even (colour is stored at half size)
    fps : frames per second as an exact fraction, such as Fraction(30000, 1001)
    codec : a key of CODECS
    quality : small, good or fine
    metadata : such as title, comment, creation_time; kept by the container where it can

    Raises
    ------
    FrameError
        A size, rate, codec, container or frame that cannot be; or no encoder for the codec.
    FileError
        The folder cannot be written; no film and no scrap is left.
    """
    path = Path(path)
    fps = Fraction(fps)
    kind = codec_for(codec, path)
    level = check_size(width_px, height_px, fps, kind)
    av = pyav()
    with replacing(path) as scrap:
        container = av.open(
            str(scrap), "w", format=container_of(path), options=_container_options(path)
        )
        try:
            container.metadata.update(metadata or {})
            stream = _add_stream(container, kind, (width_px, height_px), fps, quality, level)
            film = Film(container, stream, (width_px, height_px), level, kind.deep)
            yield film
            if not film.frames:
                raise FrameError(str(path), "no frame was added", "A film needs at least one")
            film._finish()
            container.close()
        except av.FFmpegError as fault:
            raise _refused(path, codec, fault) from fault
        finally:
            with suppress(av.FFmpegError):  # a film without frames, a full disk: said already
                container.close()


def _refused(path: Path, codec: str, fault: Any) -> FileError | FrameError:
    """A full disk and its like, or an encoder that will not."""
    what = f"the film could not be written ({fault.strerror or fault})"
    if isinstance(fault, OSError):
        return FileError(
            str(path),
            f"{what}; what stood there is unchanged",
            "Free some space or check the folder's rights, then run it again",
        )
    return FrameError(
        str(path), f"{what}: the encoder for {codec} gave up", "Try another --codec or --width"
    )


def _container_options(path: Path) -> dict[str, str]:
    """Index first, so that a film plays while it still loads; and colour in the file's head."""
    if container_of(path) in ("mp4", "mov"):
        return {"movflags": "+faststart+write_colr"}
    return {}


def _add_stream(
    container: Any,
    codec: Codec,
    size: tuple[int, int],
    fps: Fraction,
    quality: Quality,
    level: str | None,
) -> Any:
    options = dict(codec.options)
    rate_factor = codec.rate_factor and codec.rate_factor[("small", "good", "fine").index(quality)]
    if codec.name == "h264":  # these frames are held in memory
        options["rc-lookahead"] = str(min(20, int(LOOK_AHEAD_PX / (size[0] * size[1]))))
        if rate_factor and size[0] * size[1] > LARGE_PX:
            options.update(LARGE_H264)
            rate_factor += LARGE_RATE_FACTOR
    if rate_factor is not None:
        options["crf"] = str(rate_factor)
    if level is not None:
        options["level"] = level.replace(".", "")  # "4.0" is 4 to some builds, 40 is plain
    stream = container.add_stream(encoder_of(codec), rate=fps, options=options)
    stream.width, stream.height = size
    stream.pix_fmt = codec.pixels
    context = stream.codec_context
    context.time_base = 1 / fps
    context.gop_size = 1 if codec.deep else max(1, round(fps * KEY_FRAME_EVERY_S))
    if codec.name == "vp9":
        context.bit_rate = 0  # or the rate factor would be capped
    if codec.name == "av1":
        os.environ.setdefault("SVT_LOG", "1")  # errors only: this encoder talks on stderr
    context.color_primaries = BT709_TAG
    context.color_trc = BT709_TAG
    context.colorspace = BT709_TAG
    context.color_range = NARROW_RANGE
    return stream
