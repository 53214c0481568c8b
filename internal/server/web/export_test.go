package web

// NextOf is nextOf, for the fuzz target.
var NextOf = nextOf
