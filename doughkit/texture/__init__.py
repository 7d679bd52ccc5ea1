"""What drives texture: regressions of rated and measured texture on the factors."""

from doughkit.texture.fit import fit
from doughkit.texture.reading import measured, stationary
from doughkit.texture.result import TextureFit

__all__ = ["TextureFit", "fit", "measured", "stationary"]
