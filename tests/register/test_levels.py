"""Maps fitted side by side are those fitted one by one."""

import numpy as np

from hotspot.register.levels import TILT_LEVELS, fit_levels, fit_most_likely


def test_a_fit_does_not_depend_on_those_beside_it():
    rng = np.random.default_rng(3)
    source = rng.uniform(10, 240, (6, 2))
    turn = np.array([[2.9, -0.8], [0.9, 3.1]])
    destination = source @ turn.T / (1 + source @ [[2e-4], [-1e-4]]) + rng.normal(0, 2, (6, 2))
    noises = (1.0, 2.5)
    together = fit_levels(
        source,
        destination,
        sigma_source=0.7,
        sigma_destination=1.5,
        model="homography",
        tilts=TILT_LEVELS,
        noises=noises,
    )
    assert [(f.noise, f.tilt) for f in together] == [(n, t) for n in noises for t in TILT_LEVELS]
    # The levels differ: a fit that were given another's numbers would be seen.
    assert len({round(f.evidence, 6) for f in together}) == len(together)
    for fit in together:
        alone = fit_most_likely(
            source,
            destination,
            sigma_source=0.7 * fit.noise,
            sigma_destination=1.5 * fit.noise,
            model="homography",
            tilt=fit.tilt,
        )
        np.testing.assert_allclose(fit.matrix, alone.matrix, rtol=1e-9)
        np.testing.assert_allclose(fit.cov, alone.cov, rtol=1e-6, atol=1e-16)
        np.testing.assert_allclose(
            [fit.chi2, fit.cost, fit.evidence, fit.free],
            [alone.chi2, alone.cost, alone.evidence, alone.free],
            rtol=1e-8,
        )
