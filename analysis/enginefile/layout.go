package enginefile

import (
	"bytes"
	"fmt"
	"slices"
	"strings"

	"github.com/pelletier/go-toml/v2/unstable"
)

// place is where a key of the file stands.
type place struct {
	name     string // with its table: "reference.angle_deg"; of a row: "target.table[2].rpm"
	table    string // of the header above it, "" above the first
	line     int    // from 1
	from, to int    // of the value, bytes
	end      int    // of the whole key = value, bytes
	inline   bool   // within { }
}

// header is a [table] line.
type header struct {
	name string // of one of several: "target.table[2]"
	line int    // from 1
	end  int    // of its name, bytes
}

// layout is where everything in a file stands, in its order.
type layout struct {
	keys    []place
	headers []header
}

func (l layout) find(key string) (place, bool) {
	for _, k := range l.keys {
		if k.name == key {
			return k, true
		}
	}
	return place{}, false
}

// line is where a key stands, or else the header of that name; 0: nowhere.
func (l layout) line(key string) int {
	if k, ok := l.find(key); ok {
		return k.line
	}
	for _, h := range l.headers {
		if withoutRows(h.name) == key {
			return h.line
		}
	}
	return 0
}

// lineOr is where a key stands, or other.
func (l layout) lineOr(key string, other int) int {
	if k, ok := l.find(key); ok {
		return k.line
	}
	return other
}

// row is where a row of the target table stands, counted from 0.
func (l layout) row(i int) int {
	name := fmt.Sprintf("%s[%d]", TargetTable, i+1)
	for _, h := range l.headers {
		if h.name == name {
			return h.line
		}
	}
	for _, k := range l.keys {
		if strings.HasPrefix(k.name, name+".") {
			return k.line
		}
	}
	return l.line(TargetTable)
}

// layoutOf walks through a file.
func layoutOf(doc []byte) (layout, error) {
	var l layout
	var p unstable.Parser
	p.Reset(doc)
	lineAt := func(at uint32) int { return 1 + bytes.Count(doc[:at], []byte("\n")) }
	var table []string
	rows := map[string]int{} // headers in double brackets so far
	for p.NextExpression() {
		e := p.Expression()
		switch e.Kind {
		case unstable.Table, unstable.ArrayTable:
			table = table[:0]
			h := header{}
			for k := e.Key(); k.Next(); {
				n := k.Node()
				table = append(table, string(n.Data))
				h.line, h.end = lineAt(n.Raw.Offset), int(n.Raw.Offset+n.Raw.Length)
			}
			h.name = strings.Join(table, ".")
			if e.Kind == unstable.ArrayTable {
				rows[h.name]++
				table[len(table)-1] += fmt.Sprintf("[%d]", rows[h.name])
				h.name = strings.Join(table, ".")
			}
			l.headers = append(l.headers, h)
		case unstable.KeyValue:
			l.add(doc, table, table, e, false)
		}
	}
	if err := p.Error(); err != nil {
		return l, fmt.Errorf("this is not TOML: %s", strings.TrimPrefix(err.Error(), "toml: "))
	}
	return l, nil
}

// add notes a key and, of one with tables in braces, the keys within.
func (l *layout) add(doc []byte, table, prefix []string, e *unstable.Node, inline bool) {
	name := slices.Clone(prefix)
	for k := e.Key(); k.Next(); {
		name = append(name, string(k.Node().Data))
	}
	v := e.Value()
	if v.Kind == unstable.InlineTable {
		for it := v.Children(); it.Next(); {
			l.add(doc, table, name, it.Node(), true)
		}
		return
	}
	if v.Kind == unstable.Array {
		i := 0
		for it := v.Children(); it.Next(); {
			n := it.Node()
			if n.Kind != unstable.InlineTable {
				continue
			}
			i++
			row := slices.Clone(name)
			row[len(row)-1] += fmt.Sprintf("[%d]", i)
			for in := n.Children(); in.Next(); {
				l.add(doc, table, row, in.Node(), true)
			}
		}
	}
	from := int(v.Raw.Offset)
	l.keys = append(l.keys, place{
		name: strings.Join(name, "."), table: strings.Join(table, "."),
		line: 1 + bytes.Count(doc[:e.Raw.Offset], []byte("\n")),
		from: from, to: from + int(v.Raw.Length), end: int(e.Raw.Offset + e.Raw.Length), inline: inline,
	})
}
