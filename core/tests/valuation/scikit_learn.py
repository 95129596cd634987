#!/usr/bin/env python3
"""Makes scikit_learn.json: the results of scikit-learn's GaussianProcessRegressor at fixed hyperparameters, for the kernels that
both programs have: constant, straight lines (DotProduct), similarity over one length scale (RBF), the market index (Matern
with nu 1/2), noise. Run with scikit-learn 1.9.1; prints the file."""

import json

import numpy as np
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, DotProduct, Kernel, Matern

spread = np.random.default_rng(20261125)
n, asked = 40, 6
numbers = spread.normal(size=(n + asked, 2)).round(3)
years = np.sort(spread.uniform(0, 6, n + asked).round(2))
years = np.concatenate([years[::2], years[1::2]])[: n + asked]
prices = np.exp(8 + 0.4 * numbers[:, 0] - 0.2 * numbers[:, 1] ** 2 + 0.05 * years + 0.1 * spread.normal(size=n + asked)).round(2)

# sd of each feature, of the index and of the trend, of the similarity and of the noise, years, reach, reach of each feature
theta = [0.4, 0.25, 0.3, 0.12, 0.55, 0.2, 2.5, 0.9, 1.2, 0.8]
a1, a2, a_index, a_trend, a_alike, sigma, length, reach, w1, w2 = theta


class Of(Kernel):
    """A kernel of scikit-learn on some of the columns, each over its scale."""

    def __init__(self, kernel, columns, scale):
        self.kernel, self.columns, self.scale = kernel, columns, scale

    def __call__(self, x, y=None, eval_gradient=False):
        pick = lambda z: None if z is None else z[:, self.columns] / np.asarray(self.scale)
        return self.kernel(pick(x), pick(y))

    def diag(self, x):
        return self.kernel.diag(x[:, self.columns] / np.asarray(self.scale))

    def is_stationary(self):
        return False


train, ask = slice(0, n), slice(n, n + asked)
code = (numbers - numbers[train].mean(0)) / numbers[train].std(0)
u = (years - years[train].mean()) / max(years[train].std(), 0.5)
x = np.column_stack([code, u, years])
ln = np.log(prices[train])
m, s = ln.mean(), ln.std()
kernel = (
    ConstantKernel(1.0)
    + Of(DotProduct(0.0), [0], [1 / a1])
    + Of(DotProduct(0.0), [1], [1 / a2])
    + Of(DotProduct(0.0), [2], [1 / a_trend])
    + Of(ConstantKernel(a_index**2) * Matern(length, nu=0.5), [3], [1.0])
    + Of(ConstantKernel(a_alike**2) * RBF(reach * np.sqrt(2)), [0, 1], [w1, w2])
)
gp = GaussianProcessRegressor(kernel, alpha=sigma**2 + 1e-9, optimizer=None).fit(x[train], (ln - m) / s)
mean, sd = gp.predict(x[ask], return_std=True)
print(
    json.dumps(
        {
            "numbers": numbers.tolist(),
            "years": years.tolist(),
            "prices": prices[train].tolist(),
            "hyperparameters": theta,
            "log_marginal_likelihood": float(gp.log_marginal_likelihood_value_),
            "mean_ln_price": (m + s * mean).tolist(),
            "sd_ln_price": (s * np.sqrt(sd**2 + sigma**2)).tolist(),
        },
        indent=1,
    )
)
