package elm

// Words are the words that the adapter has for what went wrong, without spaces.
func Words() (all []string) {
	for _, w := range words {
		all = append(all, w.text)
	}
	return all
}
