"""injsound: hear whether a fuel injector skips.

The names below are what scripts may rely on; each is fetched when it is first used, so that `import injsound` is quick.
"""

import lazy_loader

__version__ = "0.1.0"

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
