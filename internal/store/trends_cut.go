package store

// cut finds each layer's bucket and drops what lies outside the window.
func (c *trendCounter) cut(d *layerDay) {
	c.bucket = sized(c.bucket, d.len())
	if whole := c.wholeIn(d.day); whole >= 0 {
		for i := range c.bucket {
			c.bucket[i] = int32(whole)
		}
		return
	}
	b, end := -1, c.from
	for i, at := range d.times {
		if at >= end || b < 0 {
			if b = c.bucketOf(at); b >= 0 {
				end = min(c.bounds[b+1], c.to)
			}
		}
		if b < 0 {
			c.keep[i] = false
			continue
		}
		c.bucket[i] = int32(b)
	}
}

func (c *trendCounter) filter(d *layerDay, f trendFilter, plates []int32) {
	if f.dim == dimPlate && plates != nil {
		for i, id := range plates {
			c.keep[i] = c.keep[i] && f.pass(id, "")
		}
		return
	}
	column := &d.columns[f.dim]
	c.allowed = append(c.allowed[:0], false) // what names nothing never passes
	for _, id := range column.ids {
		c.allowed = append(c.allowed, f.pass(id, ""))
	}
	for _, text := range column.texts {
		c.allowed = append(c.allowed, f.pass(0, text))
	}
	for i, n := range column.index {
		c.keep[i] = c.keep[i] && c.allowed[n]
	}
}

func (c *trendCounter) groupsOf(d *layerDay, plates []int32) {
	c.group = sized(c.group, d.len())
	dim := c.q.groupDimension()
	if dim == dimPlate && plates != nil {
		for i, id := range plates {
			if c.keep[i] {
				c.group[i] = c.groupOf(id)
			}
		}
		return
	}
	column := &d.columns[dim]
	c.table = append(c.table[:0], 0)
	for _, id := range column.ids {
		c.table = append(c.table, c.groupOf(id))
	}
	for i, n := range column.index {
		c.group[i] = c.table[n]
	}
}

func sized[T any](list []T, n int) []T {
	if cap(list) < n {
		return make([]T, n)
	}
	return list[:n]
}
