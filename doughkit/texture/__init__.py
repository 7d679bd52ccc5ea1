"""What drives texture: regressions of rated and measured texture on the factors."""

from doughkit.texture.assumed import side_by_side
from doughkit.texture.assuming import fit_assuming
from doughkit.texture.before import before_baking
from doughkit.texture.fit import fit
from doughkit.texture.reading import measured, stationary

__all__ = [
    "before_baking",
    "fit",
    "fit_assuming",
    "measured",
    "side_by_side",
    "stationary",
]
