"""The words of the house: frozen values, standard library only. Imports nothing else of Lowmark."""
