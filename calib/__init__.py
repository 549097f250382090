"""calib: what a camera's numbers mean, and how well it sees.

It makes camera profiles and measures a camera: what its counts mean (`radiometry`, `references`,
`response`), how noisy it is (`noise`, `spectrum`), how even (`uniformity`), how sharp
(`sharpness`), how straight (`geometry`), and how the board shines (`emissivity`). The result is
data: a profile file that `hotspot` reads.
"""
