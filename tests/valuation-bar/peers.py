#!/usr/bin/env python3
"""Times scikit-learn's GaussianProcessRegressor, one length scale, one thread, on made-up sales as many and as wide as those
of core/benches/valuation.rs: `python3 peers.py [500 1500]`. Needs scikit-learn; run it beside `cargo bench`."""

import os

os.environ["OPENBLAS_NUM_THREADS"] = os.environ["OMP_NUM_THREADS"] = "1"
import sys
import time
import warnings

import numpy as np
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

warnings.filterwarnings("ignore")
for n in [int(a) for a in sys.argv[1:]] or [500, 1500]:
    spread = np.random.default_rng(7)
    x = spread.normal(size=(n, 13))
    y = x @ (0.3 / np.arange(1, 14)) + 0.15 * spread.standard_t(4, size=n)
    y = (y - y.mean()) / y.std()
    kernel = ConstantKernel(1.0) * RBF(3.0) + WhiteKernel(0.1)
    began = time.perf_counter()
    gp = GaussianProcessRegressor(kernel).fit(x, y)
    fit = time.perf_counter() - began
    times = []
    for _ in range(30):
        began = time.perf_counter()
        gp.predict(x[:1], return_std=True)
        times.append(time.perf_counter() - began)
    print(f"{n}: fit of 3 hyperparameters {fit:.2f} s, one prediction {sorted(times)[15] * 1e3:.2f} ms")
