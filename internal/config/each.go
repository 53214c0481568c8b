package config

// each applies a function to each of a list.
func each[T, U any](all []T, of func(T) U) []U {
	list := make([]U, len(all))
	for i, v := range all {
		list[i] = of(v)
	}
	return list
}
