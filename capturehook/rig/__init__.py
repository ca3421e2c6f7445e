"""The rig: advice for setting up the camera and the circuit that fires it.

In: what a person measured or chose. Out: records that the command line shows.
"""
