"""A resin job -> its light timeline -> the plan record that `audit/` checks frames against.

job: the one door; what a container or numbers alone state. lines: a run.gcode through the one
reader. timeline: seconds of every layer. clock: two readings of one. light_events: what a light
sensor makes of the lamp. shoot: frames and plan. pose, prove, rebuild: frames taken by the job
itself. area: how much light each layer gets. report: all of it as plain data.
"""
