"""How many samples a second all sound has in here; what comes in otherwise is resampled at the door (`files`,
`live`)."""

SAMPLE_RATE = 16_000
