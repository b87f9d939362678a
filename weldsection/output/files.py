"""The results folder, and files that are complete or not there at all."""

from __future__ import annotations

import errno
import os
import unicodedata
from dataclasses import dataclass
from pathlib import Path

from weldsection.errors import OutputError

_TEMPORARY_PREFIX = ".weldsection-"
_TEMPORARY_SUFFIX = ".part"


@dataclass(frozen=True, slots=True)
class ResultsFolder:
    """Where the results of one run go."""

    root: Path

    @property
    def table(self) -> Path:
        """The table of all beads."""
        return self.root / "beads.csv"

    @property
    def sections(self) -> Path:
        """The folder of full records."""
        return self.root / "sections"

    @property
    def overlays(self) -> Path:
        """The folder of annotated pictures."""
        return self.root / "overlays"

    def record_of(self, photo: Path) -> Path:
        """Where the full record of a photo goes."""
        return self.sections / f"{photo.stem}.json"

    def overlay_of(self, photo: Path) -> Path:
        """Where the annotated picture of a photo goes."""
        return self.overlays / f"{photo.stem}.jpg"

    def records(self) -> list[Path]:
        """Records in the folder from this or an earlier run."""
        return sorted(self.sections.glob("*.json"))

    def prepare(self) -> None:
        """Make the folder ready to be written to.

        Raises
        ------
        OutputError
            If it cannot be made or written to; nothing was measured then.
        """
        for folder in (self.root, self.sections, self.overlays):
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise OutputError(_cannot_write(folder, error)) from error
            for left_over in folder.glob(f"{_TEMPORARY_PREFIX}*{_TEMPORARY_SUFFIX}"):
                left_over.unlink(missing_ok=True)
        probe = self.root / f"{_TEMPORARY_PREFIX}probe{_TEMPORARY_SUFFIX}"
        try:
            probe.write_bytes(b"")
            probe.unlink()
        except OSError as error:
            raise OutputError(_cannot_write(self.root, error)) from error

    def remove_if_empty(self) -> None:
        """Leave no empty folders behind when nothing could be measured."""
        for folder in (self.sections, self.overlays, self.root):
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()


def same_name_key(photo: Path) -> str:
    """Give what two photos must differ in to have results side by side.

    The name without its ending, as file systems compare it: capital or small,
    composed or decomposed accents are the same on some of them.

    Examples
    --------
    >>> same_name_key(Path("a/Plate.JPG")) == same_name_key(Path("b/plate.png"))
    True
    """
    return unicodedata.normalize("NFC", photo.stem).casefold()


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that it is there complete, or not at all.

    Raises
    ------
    OutputError
        If the disk is full or the folder cannot be written to.
    """
    temporary = path.with_name(
        f"{_TEMPORARY_PREFIX}{os.getpid()}-{path.suffix[1:]}{_TEMPORARY_SUFFIX}"
    )
    try:
        temporary.write_bytes(content)
        temporary.replace(path)
    except OSError as error:
        raise OutputError(_cannot_write(path, error)) from error
    finally:
        temporary.unlink(missing_ok=True)  # there only if something went wrong


def write_whole_text(path: Path, text: str) -> None:
    """Write text as UTF-8, complete or not at all."""
    # "replace": a file name that is no valid text must not stop the results
    write_whole(path, text.encode("utf-8", "replace"))


def _cannot_write(path: Path, error: OSError) -> str:
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        return f"The disk is full, so {path} cannot be written; make room and go on."
    if isinstance(error, FileExistsError | NotADirectoryError):
        return f"{path} cannot be a folder, a file is in the way; give another --out."
    reason = error.strerror or str(error)
    return f"Cannot write {path} ({reason}); give another folder with --out."
