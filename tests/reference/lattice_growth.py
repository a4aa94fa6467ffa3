"""Lattices grown site by site or bond by bond, on the union-find of the program."""

import numpy as np
from numba import njit

from percsim.kernels.growth import mark_wrapped, unite


@njit(nogil=True, error_model="numpy")
def grow_sites(neighbors, images, order, first):
    """Occupy the sites of a periodic lattice one by one until clusters wrap every axis.

    Parameters
    ----------
    neighbors : (n, z) ndarray of int64
        Neighbours of each site.
    images : (n, z) ndarray of int64
        Packed image count of each of them.
    order : (n,) ndarray of int64
        Order of occupation.
    first : (d,) ndarray of int64
        Sites at the first wrapping along each axis, zeros at the outset; updated.

    """
    n, z = neighbors.shape
    parent = np.full(n, -1, dtype=np.int64)
    offset = np.zeros(n, dtype=np.int64)
    occupied = np.zeros(n, dtype=np.bool_)
    for k in range(n):
        i = order[k]
        occupied[i] = True
        for b in range(z):
            j = neighbors[i, b]
            if occupied[j]:
                winding = unite(parent, offset, i, j, images[i, b])
                if winding != 0:
                    mark_wrapped(winding, k + 1, first)
        if np.all(first != 0):
            return


@njit(nogil=True, error_model="numpy")
def grow_bonds(n, bonds, images, order, first):
    """Close the bonds of a periodic lattice one by one until clusters wrap every axis.

    Parameters
    ----------
    n : int
        Sites.
    bonds : (m, 2) ndarray of int64
        The two sites of each bond.
    images : (m,) ndarray of int64
        Packed image count of the second site.
    order : (m,) ndarray of int64
        Order of closing.
    first : (d,) ndarray of int64
        Bonds at the first wrapping along each axis, zeros at the outset; updated.

    """
    parent = np.full(n, -1, dtype=np.int64)
    offset = np.zeros(n, dtype=np.int64)
    for k in range(order.shape[0]):
        b = order[k]
        winding = unite(parent, offset, bonds[b, 0], bonds[b, 1], images[b])
        if winding != 0:
            mark_wrapped(winding, k + 1, first)
            if np.all(first != 0):
                return
