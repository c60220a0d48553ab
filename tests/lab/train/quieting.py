"""The product's own way of taking the room out of a sound, for batches on the device.

The network hears quieted sound in the product (`assistant/hearing/engines/looks.py`),
so it hears some in training. A test holds the two against each other.
"""

from __future__ import annotations

import torch
from torch.nn import functional

WINDOW, HOP = 512, 128
ROOM_PERCENT = 10
MORE = 2.2
LEFT = 0.15
"""As in looks.py, where each is explained."""


def quieted(samples: torch.Tensor) -> torch.Tensor:
    """samples: (batch, n). The steady part of the noise subtracted from each row's power spectrum (Boll 1979)."""
    window = torch.hann_window(WINDOW, device=samples.device)
    # scipy's stft begins half a window early with zeros, and so does this
    spectrum = torch.stft(samples, WINDOW, HOP, window=window, center=True, pad_mode="constant", return_complex=True)
    power = spectrum.real.square() + spectrum.imag.square()
    room = MORE * torch.quantile(power, ROOM_PERCENT / 100, dim=2, keepdim=True)
    gain = (1 - room / power.clamp_min(1e-9)).clamp_min(LEFT**2).sqrt()
    edged = functional.pad(gain[:, None], (1, 1, 1, 1), mode="replicate")
    smooth = functional.avg_pool2d(edged, 3, stride=1)[:, 0]
    return torch.istft(spectrum * smooth, WINDOW, HOP, window=window, center=True, length=samples.shape[1])
