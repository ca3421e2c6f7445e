"""capturehook: film your own 3D prints, from the sliced job to the finished film."""

__version__ = "0.1.0"
