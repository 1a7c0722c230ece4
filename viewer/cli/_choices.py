"""Names that the options accept; kept apart so that ``--help`` imports nothing heavy."""

TRANSFERS = ["hlg", "pq", "bt709", "bt601", "bt2020", "srgb", "gamma2.2", "gamma2.4", "gamma2.6", "gamma2.8", "linear"]
RANGES = ["narrow", "full"]
MATRICES = ["bt601", "bt709", "bt2020", "rgb"]
