"""Reference values for meshes, made with numpy and scipy (1.24.2 and 1.10.1).

Run in this folder: python3 reference.py > reference.json
Shapes and differences come from numpy.linalg.lstsq and scipy's bilinear
RegularGridInterpolator; variances of drift from the dense Gaussian likelihood
of the changes between probes, maximised by scipy.optimize.
"""
import json
import numpy as np
from scipy.interpolate import RegularGridInterpolator
from scipy.optimize import minimize

rng = np.random.default_rng(20260311)


def shape(x, y, z):
    """x, y positions in mm; z rows from the front."""
    X, Y = np.meshgrid(x, y)
    ok = ~np.isnan(z)
    zz, xx, yy = z[ok], X[ok], Y[ok]
    A = np.column_stack([np.ones(zz.size), xx, yy])
    c, *_ = np.linalg.lstsq(A, zz, rcond=None)
    r = zz - A @ c
    u = (xx - (x[0] + x[-1]) / 2) / ((x[-1] - x[0]) / 2)
    v = (yy - (y[0] + y[-1]) / 2) / ((y[-1] - y[0]) / 2)
    Q = np.column_stack([np.ones(zz.size), u, v, u * u, u * v, v * v])
    q, *_ = np.linalg.lstsq(Q, zz, rcond=None)
    step = max(np.nanmax(np.abs(np.diff(z, axis=0))), np.nanmax(np.abs(np.diff(z, axis=1))))
    return dict(range_mm=float(np.ptp(zz)), rms_mm=float(np.std(zz)), tilt_x=float(1000 * c[1]), tilt_y=float(1000 * c[2]),
                residual_rms_mm=float(np.sqrt(np.mean(r * r))), bow_x=float(-q[3]), bow_y=float(-q[5]), twist=float(2 * q[4]),
                local_rms_mm=float(np.sqrt(np.mean((zz - Q @ q) ** 2))), step_mm=float(step))


def words(z):
    return [None if np.isnan(t) else float(t) for t in np.ravel(z)]


def bed(x, y, noise):
    X, Y = np.meshgrid(x, y)
    z = 0.02 + 0.0004 * X - 0.0002 * Y - 2e-6 * (X - 120) ** 2 + 1e-6 * (X - 120) * (Y - 100) + noise * rng.standard_normal(X.shape)
    return np.round(z, 4)


out = dict(shapes=[], changes=[], drifts=[])
grids = [(np.array([15.0, 70, 125, 180, 235]), np.array([15.0, 70, 125, 180, 235])), (np.linspace(5, 215, 7), np.linspace(10, 190, 4)),
         (np.array([10.0, 30, 90, 200]), np.array([20.0, 100, 110, 190]))]
for x, y in grids:
    z = bed(x, y, 0.02)
    z.flat[rng.integers(z.size)] = np.nan
    out["shapes"].append(dict(x=x.tolist(), y=y.tolist(), z=words(z), **shape(x, y, z)))

for (xa, ya), (xb, yb) in [(grids[0], grids[0]), (grids[0], grids[1]), (grids[2], grids[0])]:
    a, b = bed(xa, ya, 0.02), bed(xb, yb, 0.02) + 0.03
    f = RegularGridInterpolator((ya, xa), a, bounds_error=False, fill_value=np.nan)
    X, Y = np.meshgrid(xb, yb)
    d = b - f(np.column_stack([Y.ravel(), X.ravel()])).reshape(b.shape)
    ok = ~np.isnan(d)
    A = np.column_stack([np.ones(ok.sum()), X[ok], Y[ok]])
    c, *_ = np.linalg.lstsq(A, d[ok], rcond=None)
    plane = A @ c
    out["changes"].append(dict(xa=xa.tolist(), ya=ya.tolist(), a=words(a), xb=xb.tolist(), yb=yb.tolist(), b=words(b), points=int(ok.sum()), shift=float(d[ok].mean()),
                               tilt_x=float(1000 * c[1]), tilt_y=float(1000 * c[2]), tilt_rms=float(np.std(plane)), shape_rms=float(np.sqrt(np.mean((d[ok] - plane) ** 2))),
                               rms=float(np.sqrt(np.mean(d[ok] ** 2))), largest=float(np.abs(d[ok]).max())))

# One walk seen with noise: starts, hours, swaps between 80 probes.
for k in range(3):
    n = 80
    starts = rng.integers(0, 12, n - 1)
    hours = np.round(rng.gamma(2, 6, n - 1), 2)
    swaps = rng.integers(0, 2, n - 1)
    truth = [(4e-5, 0, 2e-4, 3e-5), (0, 2e-5, 4e-4, 1e-5), (9e-5, 1e-5, 0, 1e-4)][k]
    walk = np.concatenate([[0], np.cumsum(rng.standard_normal(n - 1) * np.sqrt(truth[0] * starts + truth[1] * hours + truth[2] * swaps))])
    y = np.round(walk + rng.standard_normal(n) * np.sqrt(truth[3]), 6)
    d = np.diff(y)
    T = 2 * np.eye(n - 1) - np.eye(n - 1, k=1) - np.eye(n - 1, k=-1)

    def minus(logs):
        p = np.exp(logs)
        V = np.diag(p[0] * starts + p[1] * hours + p[2] * swaps) + p[3] * T
        sign, det = np.linalg.slogdet(V)
        return 0.5 * (det + d @ np.linalg.solve(V, d))

    best = None
    for start in ([-10, -12, -8, -10], [-12, -10, -9, -9], [-9, -14, -12, -11]):
        r = minimize(minus, start, method="Nelder-Mead", options=dict(maxiter=20000, maxfev=20000, xatol=1e-7, fatol=1e-11), bounds=[(-25, 0)] * 4)
        best = r if best is None or r.fun < best.fun else best
    out["drifts"].append(dict(starts=starts.tolist(), hours=hours.tolist(), swaps=swaps.tolist(), y=y.tolist(), variances=[float(v) if v > 1e-9 else 0.0 for v in np.exp(best.x)], minus_log_likelihood=float(best.fun)))

print(json.dumps(out))
