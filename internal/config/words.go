package config

// words are what each of a list is called.
func words[T any](all []T, word func(T) string) []string {
	list := make([]string, len(all))
	for i, v := range all {
		list[i] = word(v)
	}
	return list
}
