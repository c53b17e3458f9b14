"""A comparison with known numbers, for tests of its page."""

import numpy as np

from framesort.records import (
    Comparison,
    ConditionDifference,
    ConfigurationSummary,
    Difference,
    Effect,
    Interval,
    MeanStar,
    Note,
    Verdict,
)


def make_interval(value, error):
    return Interval(
        value=value,
        low=value - error,
        high=value + error,
        low95=value - 2 * error,
        high95=value + 2 * error,
    )


def gaussian_star(fwhm, half=20):
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    return np.exp(-(x * x + y * y) * 4 * np.log(2) / fwhm**2).astype(np.float32)


def make_comparison(*, first="bare", second="taped", call="better"):
    """Two configurations at 50 and 100 %, and the images of their mean stars."""
    effects, stars, images = [], [], []
    for name, growth, spike in ((first, 0.13, 0.05), (second, 0.04, 0.01)):
        for power in (50.0, 100.0):
            for quantity, value, error in (
                ("fwhm_growth", growth * power / 50, 0.02),
                ("blur", 2 * growth * power / 50, 0.1),
                ("spike", spike * power / 100, 0.004),
                ("halo", 0.01, 0.005),
            ):
                effect = Effect(
                    configuration=name,
                    quantity=quantity,
                    filter="L",
                    exposure=60.0,
                    power=power,
                    frames=6,
                    off_frames=12,
                    value=make_interval(value, error),
                )
                effects.append(effect)
        for power in (0.0, 50.0, 100.0):
            image = gaussian_star(4 * (1 + growth * power / 50))
            profile = tuple(float(v) for v in image[20, 20:])
            stars.append(
                MeanStar(
                    configuration=name,
                    filter="L",
                    exposure=60.0,
                    power=power,
                    frames=6,
                    stars=100,
                    image=len(images),
                    radius=tuple(map(float, range(21))),
                    radial=profile,
                    along=profile,
                    fwhm=4.0,
                )
            )
            images.append(image)
    summaries = tuple(
        ConfigurationSummary(
            name=name,
            folder=f"nights/{name}",
            begin="2026-03-01T20:11:00",
            end="2026-03-02T02:31:00",
            frames=62,
            off_frames=30,
            heated_frames=28,
            part_frames=4,
            filters=("L",),
            exposures=(60.0,),
            powers=(50.0, 100.0),
            fwhm_off=2.6,
        )
        for name in (first, second)
    )
    difference = Difference(
        configuration=second, reference=first, quantity="fwhm_growth",
        first=make_interval(0.13, 0.02), second=make_interval(0.04, 0.02),
        difference=make_interval(-0.09, 0.028), ratio=make_interval(0.31, 0.15),
        chance_none=0.0013, frames_needed=14, off_frames_needed=9,
    )  # fmt: skip
    sentence = f"With {second}, 50 % power costs 4 ± 2 % of FWHM instead of 13 ± 2 %."
    verdict = Verdict(configuration=second, reference=first, call=call, sentence=sentence)
    condition = ConditionDifference(
        configuration=second, reference=first, condition="seeing", first=2.6, second=3.3,
        unit="px", matters=True, sentence="Seeing: FWHM with the heater off is 3.3 and 2.6 px.",
    )  # fmt: skip
    comparison = Comparison(
        sentence=sentence,
        configurations=summaries,
        verdicts=(verdict,),
        effects=tuple(effects),
        differences=(difference,),
        conditions=(condition,),
        stars=tuple(stars),
        notes=(Note("wrong checksum", "1 of 4 frames does not agree with its checksum", ()),),
    )
    return comparison, np.array(images)
