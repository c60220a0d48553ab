"""Errors of the shell: sound, engines, voice, disk, models.

TwohandsError
└── AssistantError
    ├── MissingLibrary      a system library or package is not installed
    ├── AudioError          microphone or loudspeaker
    │   └── DeviceLost      it went away in mid-visit
    ├── EngineError         the recogniser
    │   └── LanguageNotHeard no recogniser here knows the language
    ├── VoiceError          the speech synthesiser
    ├── JournalError        the record on disk
    │   ├── DiskFull
    │   ├── NewerJournal    written by a later version
    │   └── InUse           another process is writing it
    ├── ModelError          finding, fetching or unpacking a recogniser model
    └── SettingsError       a setting that cannot be, or cannot be written
"""

from __future__ import annotations

from grammar.errors import TwohandsError


class AssistantError(TwohandsError):
    """Something outside the pure core went wrong."""


class MissingLibrary(AssistantError):
    """A library is not there; the remedy is the exact command that installs it."""


class AudioError(AssistantError):
    """The microphone or the loudspeaker cannot be used."""


class DeviceLost(AudioError):
    """A device that worked has gone away."""


class EngineError(AssistantError):
    """The recogniser could not start or could not take the grammar."""


class LanguageNotHeard(EngineError):
    """No recogniser on this machine knows the language; keys are left."""


class VoiceError(AssistantError):
    """The speech synthesiser could not speak."""


class JournalError(AssistantError):
    """The record could not be read or written."""


class DiskFull(JournalError):
    """No room is left for the record."""


class NewerJournal(JournalError):
    """The record was written by a later version of the program."""


class InUse(JournalError):
    """Another process is writing the record."""


class ModelError(AssistantError):
    """A recogniser model could not be found, fetched or unpacked."""


class SettingsError(AssistantError):
    """A setting cannot have that value, or cannot be written."""
