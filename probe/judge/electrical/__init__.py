"""Electrical truth: what a device's readings of one instant say of each other, and of other devices.

quantities     which point measures what, in base units
snapshot       all measured values of one device at one instant, each with its uncertainty
width          how wide an uncertainty is: accuracy class, register step, time between readings
topology       who feeds whom, who measures which circuit, from the map
"""
