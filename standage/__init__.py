"""standage: establishment dates, cohorts and recruitment pulses of forest stands from increment
cores, with honest uncertainty.

`__init__.pyi` lists the public names for people, editors and type checkers; each is loaded when
first used, so that commands which need no model start at once.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
