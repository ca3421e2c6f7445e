"""A resin job -> its light timeline -> the plan record that `audit/` checks frames against.

job: the one door; what a container or numbers alone state. lines, run_gcode: a run.gcode through
the one reader, and its job. timeline: seconds of every layer. clock: two readings of one.
light_events: what a light sensor makes of the lamp. shoot: frames and plan. pose, prove, rebuild:
frames taken by the job itself. body: a part without layer images. area: how much light each
layer gets. report: all of it as plain data.
"""
