//! Parts from their drawing values.
