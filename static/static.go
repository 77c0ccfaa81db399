// Package static holds the files the browser loads: style sheets, scripts,
// icons. They are embedded, joined by kind, and served under names that carry
// a hash of their content, so that a browser may keep them for ever.
package static

import (
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"io/fs"
	"path"
	"sort"
	"strings"
)

//go:embed css js img vendor worker
var files embed.FS

// File is one file as it is served.
type File struct {
	Name    string // app-3f2a91c0d4e5.css: what stands in the address
	Type    string // Content-Type
	ETag    string // strong validator from the content, quotes included
	Content []byte
}

// Set is all files by served name, and the served name by plain name.
type Set struct {
	byName map[string]File
	served map[string]string

	// Worker is the service worker, which has an address of its own and comes
	// with what it keeps written before it.
	Worker []byte
}

// Load joins the style sheets in the order of their names into app.css and
// takes every other file as it is.
func Load() (*Set, error) {
	s := &Set{byName: map[string]File{}, served: map[string]string{}}
	sheets, err := fs.Glob(files, "css/*.css")
	if err != nil {
		return nil, err
	}
	sort.Strings(sheets)
	var css []byte
	for _, name := range sheets {
		b, err := files.ReadFile(name)
		if err != nil {
			return nil, err
		}
		css = append(css, b...)
	}
	s.add("app.css", css)
	if s.Worker, err = files.ReadFile("worker/sw.js"); err != nil {
		return nil, err
	}
	for _, pattern := range []string{"js/*.js", "img/*.svg", "vendor/*/*.js"} {
		names, err := fs.Glob(files, pattern)
		if err != nil {
			return nil, err
		}
		for _, name := range names {
			b, err := files.ReadFile(name)
			if err != nil {
				return nil, err
			}
			plain := path.Base(name)
			if dir, ok := strings.CutPrefix(path.Dir(name), "vendor/"); ok { // vendor/idb@8.0.4/umd.js is idb.js
				plain, _, _ = strings.Cut(dir, "@")
				plain += path.Ext(name)
			}
			s.add(plain, b)
		}
	}
	return s, nil
}

func (s *Set) add(plain string, content []byte) {
	sum := sha256.Sum256(content)
	h := hex.EncodeToString(sum[:6])
	ext := path.Ext(plain)
	f := File{
		Name:    strings.TrimSuffix(plain, ext) + "-" + h + ext,
		Type:    contentTypes[ext],
		ETag:    `"` + hex.EncodeToString(sum[:16]) + `"`,
		Content: content,
	}
	s.byName[f.Name] = f
	s.served[plain] = f.Name
}

var contentTypes = map[string]string{
	".css": "text/css; charset=utf-8",
	".js":  "text/javascript; charset=utf-8",
	".svg": "image/svg+xml",
}

// Get gives the file served under a name.
func (s *Set) Get(name string) (File, bool) {
	f, ok := s.byName[name]
	return f, ok
}

// Name gives the served name of a plain one (app.css); "" when there is none.
func (s *Set) Name(plain string) string { return s.served[plain] }
