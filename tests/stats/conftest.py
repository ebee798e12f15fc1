"""Properties are about numbers, not about time: the first example also pays for importing SciPy."""

from hypothesis import settings

settings.register_profile("numbers", deadline=None)
settings.load_profile("numbers")
