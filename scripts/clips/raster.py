"""Numba kernels: skinning, shading and a z-buffer; everything works on one picture region at a time."""
import numba as nb
import numpy as np


@nb.njit(cache=True, fastmath=True)
def skin(vertices, normals, index, weight, rot, trans, out, out_n):
    """Linear blend skinning of places and normals. rot (bones, 3, 3), trans (bones, 3)."""
    for i in range(vertices.shape[0]):
        a = np.zeros((3, 4))
        for k in range(index.shape[1]):
            w = weight[i, k]
            if w < 1e-4:
                continue
            b = index[i, k]
            for r in range(3):
                for c in range(3):
                    a[r, c] += w * rot[b, r, c]
                a[r, 3] += w * trans[b, r]
        length = 0.0
        for r in range(3):
            out[i, r] = a[r, 0] * vertices[i, 0] + a[r, 1] * vertices[i, 1] + a[r, 2] * vertices[i, 2] + a[r, 3]
            out_n[i, r] = a[r, 0] * normals[i, 0] + a[r, 1] * normals[i, 1] + a[r, 2] * normals[i, 2]
            length += out_n[i, r] ** 2
        length = 1.0 / max(np.sqrt(length), 1e-9)
        for r in range(3):
            out_n[i, r] *= length


@nb.njit(cache=True, fastmath=True)
def shade(places, normals, colours, eye, sun, sun_strength, sky, ground, out):
    """Vertex colours from a sun, a sky and light bounced from the ground; slight sheen toward the viewer."""
    for i in range(places.shape[0]):
        n0, n1, n2 = normals[i, 0], normals[i, 1], normals[i, 2]
        lambert = max(0.0, n0 * sun[0] + n1 * sun[1] + n2 * sun[2])
        up = 0.5 + 0.5 * n1
        v0, v1, v2 = eye[0] - places[i, 0], eye[1] - places[i, 1], eye[2] - places[i, 2]
        d = max(np.sqrt(v0 * v0 + v1 * v1 + v2 * v2), 1e-9)
        facing = max(0.0, (n0 * v0 + n1 * v1 + n2 * v2) / d)
        rim = 0.78 + 0.22 * facing
        for c in range(3):
            light = rim * (sky[c] * up + ground[c] * (1 - up)) + sun_strength[c] * lambert
            out[i, c] = colours[i, c] * light


@nb.njit(cache=True, fastmath=True)
def fill(points, depth, colours, faces, side, colour_buffer, depth_buffer):
    """Z-buffered triangles. points (n, 2) pixel centres, depth (n,) metres; nearer wins.

    side: 0 draws both faces, +1 or -1 only triangles whose area in the picture has that sign.
    """
    height, width = depth_buffer.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        x0, y0, x1, y1, x2, y2 = points[a, 0], points[a, 1], points[b, 0], points[b, 1], points[c, 0], points[c, 1]
        area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        if (area > -1e-9 and area < 1e-9) or area * side < 0:
            continue
        left, right = int(np.ceil(min(x0, x1, x2))), int(np.floor(max(x0, x1, x2)))
        top, bottom = int(np.ceil(min(y0, y1, y2))), int(np.floor(max(y0, y1, y2)))
        if left < 0:
            left = 0
        if top < 0:
            top = 0
        if right > width - 1:
            right = width - 1
        if bottom > height - 1:
            bottom = height - 1
        inv = 1.0 / area
        for y in range(top, bottom + 1):
            for x in range(left, right + 1):
                w1 = ((x - x0) * (y2 - y0) - (x2 - x0) * (y - y0)) * inv
                w2 = ((x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)) * inv
                w0 = 1.0 - w1 - w2
                if w0 < 0 or w1 < 0 or w2 < 0:
                    continue
                z = w0 * depth[a] + w1 * depth[b] + w2 * depth[c]
                if z < depth_buffer[y, x]:
                    depth_buffer[y, x] = z
                    for k in range(3):
                        colour_buffer[y, x, k] = w0 * colours[a, k] + w1 * colours[b, k] + w2 * colours[c, k]


@nb.njit(cache=True, fastmath=True)
def fill_mask(points, faces, mask):
    """Sets the pixels covered by triangles to 1."""
    height, width = mask.shape
    for f in range(faces.shape[0]):
        a, b, c = faces[f, 0], faces[f, 1], faces[f, 2]
        x0, y0, x1, y1, x2, y2 = points[a, 0], points[a, 1], points[b, 0], points[b, 1], points[c, 0], points[c, 1]
        area = (x1 - x0) * (y2 - y0) - (x2 - x0) * (y1 - y0)
        if area > -1e-9 and area < 1e-9:
            continue
        left, right = max(0, int(np.ceil(min(x0, x1, x2)))), min(width - 1, int(np.floor(max(x0, x1, x2))))
        top, bottom = max(0, int(np.ceil(min(y0, y1, y2)))), min(height - 1, int(np.floor(max(y0, y1, y2))))
        inv = 1.0 / area
        for y in range(top, bottom + 1):
            for x in range(left, right + 1):
                w1 = ((x - x0) * (y2 - y0) - (x2 - x0) * (y - y0)) * inv
                w2 = ((x1 - x0) * (y - y0) - (x - x0) * (y1 - y0)) * inv
                if w1 >= 0 and w2 >= 0 and w1 + w2 <= 1:
                    mask[y, x] = 1.0


@nb.njit(cache=True, fastmath=True)
def resolve(colour, depth, factor, far, out, alpha):
    """Adds the box average of a supersampled region to premultiplied colour and coverage."""
    height, width = alpha.shape
    share = 1.0 / (factor * factor)
    for y in range(height):
        for x in range(width):
            for dy in range(factor):
                for dx in range(factor):
                    yy, xx = y * factor + dy, x * factor + dx
                    if depth[yy, xx] < far:
                        alpha[y, x] += share
                        for k in range(3):
                            out[y, x, k] += share * colour[yy, xx, k]
