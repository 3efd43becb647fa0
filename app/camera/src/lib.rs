//! Where pictures come from while the window is open: a camera, a watched folder, a stored set.
