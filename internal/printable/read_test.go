package printable

import (
	"archive/zip"
	"bytes"
	"encoding/binary"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// This file reads back what the package writes, by the rules and not by the
// writer: the Open Packaging Conventions and the 3MF Core Specification 1.3 as
// far as they bear on a package of one model without extensions (rules from
// memory of the published specification), and binary STL.

// solid is what a file holds.
type solid struct {
	vertices  [][3]float64
	triangles [][3]int
}

// closed checks that every edge is shared by exactly two triangles that run
// along it in opposite directions, that none is degenerate, and that outside is
// outside. It gives the volume, mm³.
func (s *solid) closed() (volume float64, err error) {
	seen := map[[2]int]int{}
	for n, t := range s.triangles {
		a, b, c := s.vertices[t[0]], s.vertices[t[1]], s.vertices[t[2]]
		if t[0] == t[1] || t[1] == t[2] || t[0] == t[2] {
			return 0, fmt.Errorf("triangle %d has a corner twice", n)
		}
		for k := range 3 {
			seen[[2]int{t[k], t[(k+1)%3]}]++
		}
		area := normalLength(a, b, c) / 2
		if !(area > 1e-9) {
			return 0, fmt.Errorf("triangle %d has no area", n)
		}
		volume += (a[0]*(b[1]*c[2]-b[2]*c[1]) - a[1]*(b[0]*c[2]-b[2]*c[0]) + a[2]*(b[0]*c[1]-b[1]*c[0])) / 6
	}
	for e, n := range seen {
		if n != 1 || seen[[2]int{e[1], e[0]}] != 1 {
			return 0, fmt.Errorf("edge %v to %v runs %d times this way and %d the other, want once each", s.vertices[e[0]], s.vertices[e[1]], n, seen[[2]int{e[1], e[0]}])
		}
	}
	if volume <= 0 {
		return 0, fmt.Errorf("the surface is inside out")
	}
	return volume, nil
}

func normalLength(a, b, c [3]float64) float64 {
	u := [3]float64{b[0] - a[0], b[1] - a[1], b[2] - a[2]}
	v := [3]float64{c[0] - a[0], c[1] - a[1], c[2] - a[2]}
	return math.Sqrt(math.Pow(u[1]*v[2]-u[2]*v[1], 2) + math.Pow(u[2]*v[0]-u[0]*v[2], 2) + math.Pow(u[0]*v[1]-u[1]*v[0], 2))
}

// readSTL reads a binary STL; corners at the same place become one vertex.
func readSTL(data []byte) (*solid, error) {
	if len(data) < 84 || bytes.HasPrefix(data, []byte("solid")) {
		return nil, fmt.Errorf("not a binary STL")
	}
	n := int(binary.LittleEndian.Uint32(data[80:]))
	if len(data) != 84+50*n {
		return nil, fmt.Errorf("%d bytes for %d triangles", len(data), n)
	}
	s := &solid{}
	at := map[[3]float64]int{}
	for i := range n {
		row := data[84+50*i:]
		var v [12]float64
		for k := range v {
			v[k] = float64(math.Float32frombits(binary.LittleEndian.Uint32(row[4*k:])))
		}
		if l := math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2]); math.Abs(l-1) > 1e-5 {
			return nil, fmt.Errorf("triangle %d: a normal of length %g", i, l)
		}
		var t [3]int
		for k := range 3 {
			p := [3]float64(v[3+3*k : 6+3*k])
			id, ok := at[p]
			if !ok {
				id = len(s.vertices)
				at[p] = id
				s.vertices = append(s.vertices, p)
			}
			t[k] = id
		}
		s.triangles = append(s.triangles, t)
	}
	return s, nil
}

const (
	coreNamespace  = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
	typesNamespace = "http://schemas.openxmlformats.org/package/2006/content-types"
	relsNamespace  = "http://schemas.openxmlformats.org/package/2006/relationships"
	startPart      = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
)

// read3MF reads a package strictly.
func read3MF(data []byte) (*solid, error) {
	z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		return nil, err
	}
	parts := map[string][]byte{}
	for _, f := range z.File {
		name := "/" + f.Name
		if _, twice := parts[strings.ToLower(name)]; twice || strings.Contains(name, "\\") || strings.Contains(name, "//") || strings.HasSuffix(name, "/") {
			return nil, fmt.Errorf("part %q: a name twice, or none for a part", name)
		}
		if f.Method != zip.Deflate && f.Method != zip.Store {
			return nil, fmt.Errorf("part %q: compression %d", name, f.Method)
		}
		r, err := f.Open()
		if err != nil {
			return nil, err
		}
		b, err := io.ReadAll(r)
		if err != nil {
			return nil, err
		}
		parts[strings.ToLower(name)] = b
	}
	types, err := contentTypesOf(parts["/[content_types].xml"])
	if err != nil {
		return nil, err
	}
	for name := range parts {
		if name == "/[content_types].xml" {
			continue
		}
		extension := name[strings.LastIndexByte(name, '.')+1:]
		want := map[string]string{"rels": "application/vnd.openxmlformats-package.relationships+xml", "model": "application/vnd.ms-package.3dmanufacturing-3dmodel+xml"}[extension]
		if want == "" || types[extension] != want {
			return nil, fmt.Errorf("part %q has content type %q, want %q", name, types[extension], want)
		}
	}
	target, err := startOf(parts["/_rels/.rels"])
	if err != nil {
		return nil, err
	}
	model, ok := parts[strings.ToLower(target)]
	if !ok {
		return nil, fmt.Errorf("the start part %q is missing", target)
	}
	return readModel(model)
}

func contentTypesOf(data []byte) (map[string]string, error) {
	types := map[string]string{}
	err := elements(data, typesNamespace, map[string][]string{"Types": nil, "Default": {"Extension", "ContentType"}}, func(path []string, at map[string]string) error {
		if path[len(path)-1] != "Default" {
			return nil
		}
		extension := strings.ToLower(at["Extension"])
		if _, twice := types[extension]; twice || extension == "" {
			return fmt.Errorf("extension %q twice or empty", extension)
		}
		types[extension] = at["ContentType"]
		return nil
	})
	return types, err
}

func startOf(data []byte) (target string, err error) {
	ids := map[string]bool{}
	err = elements(data, relsNamespace, map[string][]string{"Relationships": nil, "Relationship": {"Id", "Type", "Target"}}, func(path []string, at map[string]string) error {
		if path[len(path)-1] != "Relationship" {
			return nil
		}
		if ids[at["Id"]] || !regexp.MustCompile(`^[A-Za-z_][\w.-]*$`).MatchString(at["Id"]) {
			return fmt.Errorf("relationship id %q", at["Id"])
		}
		ids[at["Id"]] = true
		if at["Type"] == startPart {
			if target != "" || !strings.HasPrefix(at["Target"], "/") {
				return fmt.Errorf("start part %q after %q", at["Target"], target)
			}
			target = at["Target"]
		}
		return nil
	})
	if err == nil && target == "" {
		err = fmt.Errorf("no relationship leads to a model")
	}
	return target, err
}

// elements walks an XML document: UTF-8, no document type, one root, only the
// elements and attributes named (an attribute with ? may be missing).
func elements(data []byte, namespace string, known map[string][]string, each func(path []string, attributes map[string]string) error) error {
	if data == nil {
		return fmt.Errorf("a part is missing")
	}
	d := xml.NewDecoder(bytes.NewReader(data))
	var path []string
	roots := 0
	for {
		token, err := d.Token()
		if err == io.EOF {
			if roots != 1 {
				return fmt.Errorf("%d roots", roots)
			}
			return nil
		}
		if err != nil {
			return err
		}
		switch x := token.(type) {
		case xml.Directive:
			return fmt.Errorf("a document type, which is not allowed")
		case xml.StartElement:
			if len(path) == 0 {
				roots++
			}
			path = append(path, x.Name.Local)
			allowed, ok := known[x.Name.Local]
			if !ok || x.Name.Space != namespace {
				return fmt.Errorf("element %v", x.Name)
			}
			attributes := map[string]string{}
			for _, a := range x.Attr {
				if a.Name.Local == "xmlns" || a.Name.Space == "http://www.w3.org/XML/1998/namespace" || a.Name.Space == "xml" {
					continue
				}
				if _, twice := attributes[a.Name.Local]; twice || a.Name.Space != "" || !slices.Contains(allowed, a.Name.Local) && !slices.Contains(allowed, a.Name.Local+"?") {
					return fmt.Errorf("attribute %v of %s", a.Name, x.Name.Local)
				}
				attributes[a.Name.Local] = a.Value
			}
			for _, name := range allowed {
				if _, there := attributes[name]; !there && !strings.HasSuffix(name, "?") {
					return fmt.Errorf("%s lacks %s", x.Name.Local, name)
				}
			}
			if err := each(path, attributes); err != nil {
				return err
			}
		case xml.EndElement:
			path = path[:len(path)-1]
		case xml.CharData:
			if strings.TrimSpace(string(x)) != "" && path[len(path)-1] != "metadata" {
				return fmt.Errorf("text %q in %v", x, path)
			}
		}
	}
}

var (
	stNumber = regexp.MustCompile(`^([-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?)$`)
	order    = map[string][]string{
		"model": {""}, "metadata": {"model"}, "resources": {"model"}, "build": {"model"}, "object": {"resources"}, "mesh": {"object"},
		"vertices": {"mesh"}, "triangles": {"mesh"}, "vertex": {"vertices"}, "triangle": {"triangles"}, "item": {"build"},
	}
)

func readModel(data []byte) (*solid, error) {
	s := &solid{}
	objects := map[string]bool{}
	count := map[string]int{}
	items := 0
	err := elements(data, coreNamespace, map[string][]string{
		"model": {"unit?"}, "metadata": {"name"}, "resources": nil, "object": {"id", "type?", "name?"}, "mesh": nil,
		"vertices": nil, "vertex": {"x", "y", "z"}, "triangles": nil, "triangle": {"v1", "v2", "v3"}, "build": nil, "item": {"objectid"},
	}, func(path []string, at map[string]string) error {
		name, parent := path[len(path)-1], ""
		if len(path) > 1 {
			parent = path[len(path)-2]
		}
		if !slices.Contains(order[name], parent) {
			return fmt.Errorf("%s inside %q", name, parent)
		}
		count[name]++
		switch name {
		case "model":
			if at["unit"] != "millimeter" {
				return fmt.Errorf("unit %q", at["unit"])
			}
		case "metadata":
			if count["resources"] > 0 || !slices.Contains([]string{"Title", "Designer", "Description", "Copyright", "LicenseTerms", "Rating", "CreationDate", "ModificationDate", "Application"}, at["name"]) {
				return fmt.Errorf("metadata %q", at["name"])
			}
		case "object":
			id, err := strconv.ParseUint(at["id"], 10, 31)
			if err != nil || id == 0 || objects[at["id"]] || at["type"] != "model" {
				return fmt.Errorf("object %v", at)
			}
			objects[at["id"]] = true
		case "vertex":
			var p [3]float64
			for k, axis := range []string{"x", "y", "z"} {
				if !stNumber.MatchString(at[axis]) {
					return fmt.Errorf("coordinate %q", at[axis])
				}
				p[k], _ = strconv.ParseFloat(at[axis], 64)
				if p[k] < 0 {
					return fmt.Errorf("coordinate %g lies outside the positive octant", p[k])
				}
			}
			s.vertices = append(s.vertices, p)
		case "triangle":
			var t [3]int
			for k, corner := range []string{"v1", "v2", "v3"} {
				n, err := strconv.ParseUint(at[corner], 10, 31)
				if err != nil || int(n) >= len(s.vertices) {
					return fmt.Errorf("corner %q of %d vertices", at[corner], len(s.vertices))
				}
				t[k] = int(n)
			}
			s.triangles = append(s.triangles, t)
		case "item":
			items++
			if !objects[at["objectid"]] {
				return fmt.Errorf("an item of object %q, which does not stand before it", at["objectid"])
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if count["resources"] != 1 || count["build"] != 1 || count["object"] != 1 || count["mesh"] != 1 || count["vertices"] != 1 || count["triangles"] != 1 || items != 1 {
		return nil, fmt.Errorf("got %v, want one model with one object, built once", count)
	}
	if len(s.vertices) < 3 || len(s.triangles) < 4 {
		return nil, fmt.Errorf("%d vertices and %d triangles make no body", len(s.vertices), len(s.triangles))
	}
	return s, nil
}
