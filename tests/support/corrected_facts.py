"""Generated corrections of runs."""


def generated(rng, catalogue):
    """Return one to three corrected facts."""
    values = {
        "sample": lambda: f"G-{rng.randrange(2000, 9999)}",
        "lot": lambda: rng.choice(["", "L8", f"L{rng.randrange(100)}"]),
        "sampled_at": lambda: rng.choice(["", f"2025-11-2{rng.randrange(3)}T1{rng.randrange(9)}:05+01:00"]),
        "operator": lambda: rng.choice(["a.novak", "b.lindqvist", "m.keeper"]),
        "product": lambda: rng.choice(["", *catalogue.products]),
        "geometry": lambda: rng.choice(["coaxial-12", "coaxial-15"]),
    }
    names = rng.sample(sorted(values), rng.randrange(1, 4))
    return {name: values[name]() for name in names}
