#!/usr/bin/env python3
"""Longest ways by networkx and curves by scipy, for tests/schedule_checks.rs.

usage: schedule_check.py           reads {"networks": [{"lasts": hours, "needs": lists of lower numbers}], "curves": [...]} on
                                   standard input and prints for each network the longest way to the beginning of every
                                   task and from it to the end, and for each curve quantiles and the mean
       schedule_check.py normal    reads a list of draws and prints the Kolmogorov-Smirnov test against the normal curve
       schedule_check.py time      prints seconds of one critical path of 2,000 shots of 6 stages by networkx
Needs: networkx scipy
"""
import json
import sys
import time


def graph_of(lasts, needs):
    import networkx

    graph = networkx.DiGraph()
    # A task is an edge from its beginning to its end; what it needs ends before it begins.
    for i, hours in enumerate(lasts):
        graph.add_edge(("from", i), ("to", i), weight=hours)
        for need in needs[i]:
            graph.add_edge(("to", need), ("from", i), weight=0.0)
    return graph


def longest(graph):
    import networkx

    ways = {}
    for node in networkx.topological_sort(graph):
        ways[node] = max((ways[a] + graph.edges[a, node]["weight"] for a in graph.predecessors(node)), default=0.0)
    return ways


def network(of):
    import networkx

    lasts, needs = of["lasts"], of["needs"]
    graph = graph_of(lasts, needs)
    heads, tails = longest(graph), longest(graph.reverse())
    # networkx's own longest way of the whole must be the largest of them.
    whole = networkx.dag_longest_path_length(graph)
    assert abs(max(heads.values()) - whole) < 1e-9, (heads, whole)
    return {
        "heads": [heads["from", i] for i in range(len(lasts))],
        "tails": [tails["from", i] for i in range(len(lasts))],
    }


def curve(of):
    import math

    from scipy.stats import beta, lognorm

    least, likely, most = of["least"], of["likely"], of["most"]
    wide = most - least
    shapes = 1 + 4 * (likely - least) / wide, 1 + 4 * (most - likely) / wide
    log = lognorm(s=of["spread"], scale=math.exp(of["middle"]))
    return {
        "beta": float(beta.ppf(of["p"], *shapes, loc=least, scale=wide)),
        "lognormal": float(log.ppf(of["p"])),
        "lognormal_mean": float(log.mean()),
    }


def main():
    if sys.argv[1:] == ["normal"]:
        from scipy.stats import kstest

        test = kstest(json.load(sys.stdin), "norm")
        print(json.dumps({"distance": float(test.statistic), "p": float(test.pvalue)}))
    elif sys.argv[1:] == ["time"]:
        import networkx

        lasts = [1.0 + i % 7 for i in range(12_000)]
        needs = [[] if i % 6 == 0 else [i - 1] for i in range(12_000)]
        graph = graph_of(lasts, needs)
        began = time.perf_counter()
        networkx.dag_longest_path_length(graph)
        print(time.perf_counter() - began)
    else:
        asked = json.load(sys.stdin)
        said = {"networks": [network(n) for n in asked["networks"]], "curves": [curve(c) for c in asked["curves"]]}
        json.dump(said, sys.stdout)


main()
