"""Renderer of synthetic golf-swing clips with exact known truth.

World axes, metres: X toward the target of a right-handed golfer, Y up, Z toward the face-on camera; the
ground is Y = 0 and the origin lies between the feet. A left-handed golfer is the mirror image (X -> -X).
"""
