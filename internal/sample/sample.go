// Package sample makes big bundles for speed tests: the shape of a farm's
// records (which columns, how many probes and cleanings a first layer, how many
// marks) without any of their meaning. Farms with a meaning come from
// internal/simfarm.
package sample

import (
	"bufio"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"time"
)

// Size says how big a bundle is.
type Size struct {
	FirstLayers int
	Printers    int
	Plates      int
	Jobs        int // 0: first layers name none
	Seed        uint64
	NoProbes    bool // the other files are the same with and without
}

// Shares of the other records, as in a farm that probes before most starts and
// cleans a plate every eleven prints.
const (
	probesPerLayer    = 0.72
	cleaningsPerLayer = 0.087
	heights           = 25
)

// Write writes a bundle into a folder, which must exist: printers, plates,
// materials, people, jobs, first layers in no order, cleanings in no order, probes in
// the order of time. The same size and seed give the same bytes.
func Write(dir string, size Size) error {
	g := &generator{rnd: rand.New(rand.NewPCG(size.Seed, 1)), size: size, from: time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)}
	// One start an hour and printer, more or less.
	g.span = int64(size.FirstLayers) * 3600 / int64(max(size.Printers, 1))
	layers := "first_layer,printer,plate,started_at,grade,material,grader,graded_at,layer_height_mm,line_width_mm,marks,readings,note"
	if size.Jobs > 0 {
		layers += ",job"
	}
	for _, f := range []struct {
		name   string
		header string
		n      int
		row    func(b []byte, i int) []byte
	}{
		{"printers.csv", "printer,name,bay,bed_x_mm,bed_y_mm", size.Printers, g.printer},
		{"plates.csv", "plate,surface", size.Plates, g.plate},
		{"materials.csv", "material,polymer,bed_temp_c,note", len(materials), g.material},
		{"people.csv", "person,name,role", len(people), g.person},
		{"jobs.csv", "job,quantity", size.Jobs, g.job},
		{"first_layers.csv", layers, size.FirstLayers, g.firstLayer},
		{"cleanings.csv", "cleaning,plate,cleaned_at,method,agent,person,note", int(float64(size.FirstLayers) * cleaningsPerLayer), g.cleaning},
		{"probes.csv", "probe,printer,probed_at,plate,bed_temp_c,x_min_mm,x_max_mm,y_min_mm,y_max_mm,columns,rows,heights_mm", int(float64(size.FirstLayers) * probesPerLayer), g.probe},
	} {
		if g.n = f.n; f.name == "jobs.csv" && f.n == 0 || f.name == "probes.csv" && size.NoProbes {
			continue
		}
		if err := g.file(filepath.Join(dir, f.name), f.header, f.row); err != nil {
			return fmt.Errorf("sample.Write: %w", err)
		}
	}
	return nil
}

type generator struct {
	rnd  *rand.Rand
	size Size
	n    int // rows of the file
	from time.Time
	span int64 // seconds
	buf  []byte
}

func (g *generator) file(path, header string, row func(b []byte, i int) []byte) error {
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	out := bufio.NewWriterSize(file, 1<<20)
	_, _ = out.WriteString(header + "\n")
	for i := range g.n {
		g.buf = append(row(g.buf[:0], i), '\n')
		if _, err := out.Write(g.buf); err != nil {
			break // Flush gives it again
		}
	}
	if err := out.Flush(); err != nil {
		_ = file.Close()
		return err
	}
	return file.Close()
}

var (
	materials = []string{"PLA", "PETG", "ASA", "TPU"}
	people    = []string{"amir", "bela", "chidi", "dora", "emil", "fatou"}
	surfaces  = []string{"pei_textured", "pei_smooth", "glass"}
)

func pick(r *rand.Rand, list []string) string { return list[r.IntN(len(list))] }

func (g *generator) printer(b []byte, i int) []byte {
	return fmt.Appendf(b, "P-%04d,Printer %d,Bay %d,220,220", i+1, i+1, i/20+1)
}

func (g *generator) plate(b []byte, i int) []byte {
	return fmt.Appendf(b, "L-%04d,%s", i+1, surfaces[i%len(surfaces)])
}

func (g *generator) material(b []byte, i int) []byte {
	return fmt.Appendf(b, "%s,%s,%d,", materials[i], materials[i], 55+10*i)
}

func (g *generator) person(b []byte, i int) []byte {
	return fmt.Appendf(b, "%s,%s,operator", people[i], people[i])
}

func (g *generator) job(b []byte, i int) []byte { return fmt.Appendf(b, "O-%d,100", i+1) }

func padded(b []byte, prefix string, n, width int) []byte {
	b = append(b, prefix...)
	s := strconv.Itoa(n)
	for range width - len(s) {
		b = append(b, '0')
	}
	return append(b, s...)
}

func (g *generator) stamp(b []byte, seconds int64) []byte {
	return g.from.Add(time.Duration(seconds)*time.Second).AppendFormat(b, "2006-01-02T15:04:05+00:00")
}

func (g *generator) firstLayer(b []byte, i int) []byte {
	r := g.rnd
	// A stride prime to the count visits every row once, in no order.
	k := int(int64(i) * 7_368_787 % int64(g.n))
	at := int64(k) * g.span / int64(g.n)
	b = padded(b, "F-", k+1, 8)
	b = padded(b, ",P-", r.IntN(g.size.Printers)+1, 4)
	b = padded(b, ",L-", r.IntN(g.size.Plates)+1, 4)
	b = g.stamp(append(b, ','), at)
	grade, marks := "clean", ""
	switch x := r.Float64(); {
	case x < 0.06:
		grade, marks = "failed", "A1:nozzle_high:2 B2:blobs:3 C3:nozzle_high:1"
	case x < 0.10:
		grade, marks = "marginal", "C1:lifting:2 C2:nozzle_high:1"
	case x < 0.25:
		grade, marks = "cosmetic", "B1:contamination:1 C3:contamination:1"
	}
	b = append(append(b, ','), grade...)
	b = append(append(b, ','), pick(r, materials)...)
	b = append(append(b, ','), pick(r, people)...)
	b = g.stamp(append(b, ','), at+300+int64(r.IntN(1200)))
	b = append(b, ",0.20,0.42,"...)
	b = append(append(b, marks...), ',')
	if r.IntN(20) == 0 {
		b = fmt.Appendf(b, "A1=0.%d B2=0.%d C3=0.%d", 15+r.IntN(9), 15+r.IntN(9), 15+r.IntN(9))
	}
	b = append(b, ',')
	if r.IntN(50) == 0 {
		b = append(b, `"looked twice, let it run"`...)
	}
	if g.size.Jobs > 0 {
		b = append(b, ',')
		// Jobs follow one another, five at a time; every tenth start is of none.
		if i%10 > 0 {
			b = fmt.Appendf(b, "O-%d", (k*g.size.Jobs/g.n+i%5)%g.size.Jobs+1)
		}
	}
	return b
}

func (g *generator) cleaning(b []byte, i int) []byte {
	r := g.rnd
	k := int(int64(i) * 7_368_787 % int64(g.n))
	b = padded(b, "C-", k+1, 8)
	b = padded(b, ",L-", r.IntN(g.size.Plates)+1, 4)
	b = g.stamp(append(b, ','), int64(k)*g.span/int64(g.n))
	method, agent := ",wipe", ",ipa,"
	if r.IntN(4) == 0 {
		method, agent = ",wash", ",water,"
	}
	b = append(append(b, method...), agent...)
	return append(append(b, pick(r, people)...), ',')
}

func (g *generator) probe(b []byte, i int) []byte {
	r := g.rnd
	b = padded(b, "M-", i+1, 8)
	b = padded(b, ",P-", r.IntN(g.size.Printers)+1, 4)
	b = g.stamp(append(b, ','), int64(i)*g.span/int64(g.n))
	b = padded(b, ",L-", r.IntN(g.size.Plates)+1, 4)
	b = append(b, ",60,15,205,15,205,5,5,"...)
	for n := range heights {
		if n > 0 {
			b = append(b, ' ')
		}
		h := r.IntN(3000) - 1500 // ten-thousandths of a millimetre
		if h < 0 {
			b = append(b, '-')
			h = -h
		}
		b = padded(b, "0.", h, 4)
	}
	return b
}
