"""Renders the demo elevation: an invented sail loft whose every stone, defect and camera is known.

``python -m demo_facade.render --out demo_facade`` writes photographs, survey lists, drawings of the
surveyor, salvage blocks and the truth behind them. The same seed gives the same files.
"""
