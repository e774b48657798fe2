"""Writes the flow series beside this file: `pip install wntr==1.5.0 six setuptools`, then `python make.py`."""

import wntr

SERIES = [("Net1", "10", 60), ("Net3", "60", 60), ("Net3", "20", 60), ("Net3", "10", 300)]

for network, pipe, step in SERIES:
    model = wntr.network.WaterNetworkModel(network)
    model.options.time.hydraulic_timestep = step
    model.options.time.report_timestep = step
    model.options.time.duration = 24 * 3600
    result = wntr.sim.EpanetSimulator(model).run_sim(file_prefix="/tmp/" + network)
    flow = result.link["flowrate"][pipe] * 1000
    with open(f"{network.lower()}-{pipe}.csv", "w", newline="\n") as out:
        out.write("time_s,flow_l_s\n")
        for seconds, value in flow.items():
            # The solver leaves about 1e-4 L/s of dust where the flow is nought.
            out.write(f"{int(seconds)},{0.0 if abs(value) < 1e-3 else value:.4f}\n")
