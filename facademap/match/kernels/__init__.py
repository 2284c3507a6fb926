"""The inner loops of the matching: plain Python on named tuples of arrays, which numba compiles as it stands."""

from facademap.match.kernels.compiled import digest_of_kernels, kernels

__all__ = ["digest_of_kernels", "kernels"]
