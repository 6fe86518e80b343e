"""Forage agronomy as array functions: plain numbers in, plain numbers out.

Nothing here reads a file, a clock or a setting, and nothing logs. The unit of every number is
part of its name. How refused values and array shapes are treated is said once, in
`alerts.agronomy.units`, and holds in every module of the package.
"""
