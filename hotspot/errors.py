"""Every error that a technician can meet, drawn as a tree.

::

    HotspotError               the bench or a file said no: what, where, cure
    ├── InputError             a file or option that cannot be used
    │   ├── RecordingError     a recording folder
    │   ├── BoardError         a board pack or a design export
    │   └── ProfileError       a camera profile
    ├── RegistrationError      landmarks that cannot fix a mapping
    ├── CameraError            camera unplugged, wrong frame format, stalled
    ├── SupplyError            the supply refused, did not answer, or reads back something else
    └── StoreError             the job store: conflict, unreachable, damaged

A caller's mistake (a negative width) is a plain ``ValueError``. An honest outcome (no hot spot,
two parts alike) is no error at all. ``HotspotError`` becomes a sentence in exactly two places:
the command line and the bench app.
"""

# A path of a deep folder, or a list of known names, must fit.
_LONGEST = 400


class HotspotError(Exception):
    """The bench or a file said no.

    Parameters
    ----------
    what
        What went wrong, in a technician's words.
    where
        The file, line, key or instrument concerned; empty when there is none.
    cure
        What to do about it.
    """

    def __init__(self, what: str, *, where: str = "", cure: str = "") -> None:
        self.what = what
        self.where = where
        self.cure = cure
        super().__init__(self.sentence)

    @property
    def sentence(self) -> str:
        """One line: where, what, cure."""
        what, where, cure = (_shortened(part) for part in (self.what, self.where, self.cure))
        text = f"{where}: {what}" if where else what
        if cure:
            text = f"{text}. {cure}"
        return text


def _shortened(text: str) -> str:
    """Return `text` in one line; of what a damaged file says, beginning and end are enough."""
    line = " ".join(text.split())
    if len(line) <= _LONGEST:
        return line
    return f"{line[: _LONGEST // 2]} … {line[-_LONGEST // 2 :]}"


class InputError(HotspotError):
    """A file or an option that cannot be used."""


class RecordingError(InputError):
    """A recording folder that cannot be used."""


class BoardError(InputError):
    """A board pack or a design export that cannot be used."""


class ProfileError(InputError):
    """A camera profile that cannot be used."""


class RegistrationError(HotspotError):
    """Landmarks that cannot fix a mapping."""


class CameraError(HotspotError):
    """The camera is unplugged, stalled or sends frames of another format."""


class SupplyError(HotspotError):
    """The bench supply refused, did not answer or reads back another value."""


class StoreError(HotspotError):
    """The job store has a conflict, cannot be reached or is damaged."""
