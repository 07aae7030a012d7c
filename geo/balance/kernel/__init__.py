"""The compiled part of the water balance; every file of this folder is part of the key of the code cache."""
