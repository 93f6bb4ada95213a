package block

// stream is readings in the order of instants: those of the log, or of one channel with a grid.
type stream []Sample

// merge puts streams together in the order of instants. Of equal ones an earlier stream's come first.
func merge(streams []stream, out []Sample) {
	if len(streams) == 2 {
		mergeTwo(streams[0], streams[1], out)
		return
	}
	for i := range out {
		best := -1
		for k, s := range streams {
			if len(s) > 0 && (best < 0 || s[0].At < streams[best][0].At) {
				best = k
			}
		}
		out[i] = streams[best][0]
		streams[best] = streams[best][1:]
	}
}

func mergeTwo(a, b stream, out []Sample) {
	i, k := 0, 0
	for i < len(a) && k < len(b) {
		if b[k].At < a[i].At {
			out[i+k] = b[k]
			k++
		} else {
			out[i+k] = a[i]
			i++
		}
	}
	copy(out[i+k:], a[i:])
	copy(out[i+k:], b[k:])
}
