package webtest

import (
	"net/url"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// Page is a page's tree.
type Page struct {
	Root *html.Node
	t    testing.TB
}

// Page reads an answer as HTML.
func (a Answer) Page(t testing.TB) *Page {
	t.Helper()
	root, err := html.Parse(strings.NewReader(a.Body))
	if err != nil {
		t.Fatal(err)
	}
	return &Page{root, t}
}

// All finds every element a selector fits, in order. A selector is steps by
// blanks (descendants); a step is an element's name, #id, .class, [attribute] and
// [attribute=value], in any number.
func (p *Page) All(selector string) []*html.Node {
	steps := strings.Fields(selector)
	var out []*html.Node
	var walk func(n *html.Node, at int)
	walk = func(n *html.Node, at int) {
		if n.Type == html.ElementNode && fits(n, steps[at]) {
			if at == len(steps)-1 {
				out = append(out, n)
			} else {
				at++
			}
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c, at)
		}
	}
	walk(p.Root, 0)
	return out
}

// One finds the only element a selector fits.
func (p *Page) One(selector string) *html.Node {
	p.t.Helper()
	list := p.All(selector)
	if len(list) != 1 {
		p.t.Fatalf("selector %q: got %d elements, want 1", selector, len(list))
	}
	return list[0]
}

// Text is the words of the only element a selector fits, blanks made single.
func (p *Page) Text(selector string) string {
	p.t.Helper()
	return Text(p.One(selector))
}

// Texts is the words of every element a selector fits.
func (p *Page) Texts(selector string) []string {
	var out []string
	for _, n := range p.All(selector) {
		out = append(out, Text(n))
	}
	return out
}

// Text is the words of a node, blanks made single.
func Text(n *html.Node) string {
	var b strings.Builder
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		if n.Type == html.TextNode {
			b.WriteString(n.Data)
			b.WriteByte(' ')
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(n)
	return strings.Join(strings.Fields(b.String()), " ")
}

// Attr is an attribute of a node; "" when it is not there.
func Attr(n *html.Node, name string) string {
	for _, a := range n.Attr {
		if a.Key == name {
			return a.Val
		}
	}
	return ""
}

func has(n *html.Node, name string) bool {
	for _, a := range n.Attr {
		if a.Key == name {
			return true
		}
	}
	return false
}

func fits(n *html.Node, step string) bool {
	for step != "" {
		end := strings.IndexAny(step[1:], "#.[") + 1
		if step[0] == '[' {
			end = strings.IndexByte(step, ']') + 1
		}
		if end == 0 {
			end = len(step)
		}
		part := step[:end]
		step = step[end:]
		switch part[0] {
		case '#':
			if Attr(n, "id") != part[1:] {
				return false
			}
		case '.':
			if !strings.Contains(" "+Attr(n, "class")+" ", " "+part[1:]+" ") {
				return false
			}
		case '[':
			name, value, equal := strings.Cut(strings.Trim(part, "[]"), "=")
			if !has(n, name) || equal && Attr(n, name) != strings.Trim(value, `"'`) {
				return false
			}
		default:
			if n.Data != part {
				return false
			}
		}
	}
	return true
}

// FormValues gives a form's fields as a browser would send them unchanged,
// without its buttons.
func FormValues(form *html.Node) url.Values {
	v := url.Values{}
	var walk func(*html.Node)
	walk = func(n *html.Node) {
		name := Attr(n, "name")
		switch {
		case n.Type != html.ElementNode || name == "":
		case n.Data == "input":
			if t := Attr(n, "type"); t != "radio" && t != "checkbox" || has(n, "checked") {
				v.Add(name, Attr(n, "value"))
			}
		case n.Data == "textarea":
			text := ""
			if n.FirstChild != nil {
				text = n.FirstChild.Data
			}
			v.Add(name, text)
		case n.Data == "select":
			chosen, first := "", true
			for o := n.FirstChild; o != nil; o = o.NextSibling {
				if o.Data == "option" && (first || has(o, "selected")) {
					chosen, first = Attr(o, "value"), false
				}
			}
			v.Add(name, chosen)
		}
		for c := n.FirstChild; c != nil; c = c.NextSibling {
			walk(c)
		}
	}
	walk(form)
	return v
}
