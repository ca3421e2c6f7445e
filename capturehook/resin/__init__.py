"""A resin job -> its light timeline -> the plan record that `audit/` checks frames against.

container, rebuild: the zip, read with suspicion, rebuilt byte for byte. run_gcode, open_zip:
what the two kinds of job say. timeline: seconds of every layer. light_events: what a light
sensor makes of them. shoot: frames and plan. pose, prove, edit: frames taken by the job
itself. area, picture: how much light each layer gets.
"""
