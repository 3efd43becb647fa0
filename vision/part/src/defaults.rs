//! Published ball and land sizes by pitch.
