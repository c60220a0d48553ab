"""Speech as if it were whispered: the same mouth, with breath in place of the voice.

A whisper has the resonances of speech and no pitch, and less below 1 kHz (Ito
et al. 2005, Analysis and recognition of whispered speech). So the spectrum is
smoothed until the pitch is gone, noise takes its shape, and the low end is
taken down. Some rows keep a little of their voice, as a breathy talker does.
"""

from __future__ import annotations

import torch

from assistant.hearing.audio.rate import SAMPLE_RATE as RATE

WINDOW, HOP = 512, 128
SMOOTH = 28
"""Samples of cepstrum kept: pitch up to 500 Hz lies beyond them."""
BREATHY = 0.5
"""Share of the rows that keep some voice."""


def whispered(samples: torch.Tensor, g: torch.Generator) -> torch.Tensor:
    """samples: (batch, n). The same length and about the same power."""
    rows, device = len(samples), samples.device
    window = torch.hann_window(WINDOW, device=device)

    def spectrum(sound: torch.Tensor) -> torch.Tensor:
        return torch.stft(sound, WINDOW, HOP, window=window, center=True, pad_mode="constant", return_complex=True)

    said = spectrum(samples)
    power = said.real.square() + said.imag.square()
    floor = 1e-7 * power.amax(dim=(1, 2), keepdim=True).clamp_min(1.0)
    cepstrum = torch.fft.irfft((power + floor).log().transpose(1, 2), n=WINDOW)
    cepstrum[..., SMOOTH : WINDOW - SMOOTH + 1] = 0.0
    shape = torch.exp(0.5 * torch.fft.rfft(cepstrum).real.transpose(1, 2))
    breath = spectrum(torch.randn(samples.shape, generator=g, device=device))
    hertz = torch.linspace(0, RATE / 2, WINDOW // 2 + 1, device=device)[None, :, None]
    corner = 300 + 900 * torch.rand((rows, 1, 1), generator=g, device=device)
    breath = breath * shape * (hertz / (hertz + corner))
    sizes = (power.sum(dim=(1, 2), keepdim=True) / breath.abs().square().sum(dim=(1, 2), keepdim=True)).sqrt()
    voice = 0.6 * torch.rand((rows, 1, 1), generator=g, device=device)
    voice = voice * (torch.rand((rows, 1, 1), generator=g, device=device) < BREATHY)
    mixed = breath * sizes * (1 - voice) + voice * said
    return torch.istft(mixed, WINDOW, HOP, window=window, center=True, length=samples.shape[1])
