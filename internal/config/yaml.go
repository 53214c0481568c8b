package config

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// What a file may demand of the parser, whose time grows with the square of most of these. A site with a thousand
// sensors stays well below each.
const (
	maxBytes      = 1 << 20
	maxTokens     = 200_000 // a site of 1,000 points has 60,000
	maxDepth      = 32
	maxBlankLines = 100    // in a row
	maxNodes      = 20_000 // with every alias counted in full
)

// kind is what a node of a YAML file is.
type kind uint8

const (
	nothing kind = iota // null, or a key without a value
	scalar
	list
	mapping
)

func (k kind) String() string {
	return [...]string{"nothing", "a single value", "a list", "a mapping"}[k]
}

// node is one value of a YAML file with anchors and merges resolved.
type node struct {
	kind    kind
	at      position
	text    string  // of a scalar, as it is written: 0x44 stays "0x44"
	items   []*node // of a list
	entries []entry // of a mapping, in the order of the file
	size    int     // number of nodes in it, itself included
}

// entry is a key with its value.
type entry struct {
	key    string
	at     position // of the key
	value  *node
	merged bool // came in by "<<"
}

// syntaxError is what is wrong with a file before any meaning: not YAML, or YAML that is refused here.
type syntaxError struct {
	at      position
	message string
}

// reader turns the text of one file into a tree of nodes.
type reader struct {
	file     string
	lines    []int // runes of each line
	anchors  map[string]*node
	problems []*syntaxError
}

// parseYAML reads one document. Either the tree or the list of problems is nil.
func parseYAML(file string, source []byte) (*node, []*syntaxError) {
	r := &reader{file: file, anchors: map[string]*node{}}
	text, bad := r.guard(source)
	if bad != nil {
		return nil, []*syntaxError{bad}
	}
	root, bad := r.parse(text)
	if bad != nil {
		return nil, []*syntaxError{bad}
	}
	tree := r.convert(root, 0)
	if len(r.problems) > 0 {
		return nil, r.problems
	}
	return tree, nil
}

// position returns a position that is certain to lie within the file.
func (r *reader) position(line, column int) position {
	if len(r.lines) == 0 {
		return position{r.file, 1, 1}
	}
	line = min(max(line, 1), len(r.lines))
	return position{r.file, line, min(max(column, 1), r.lines[line-1]+1)}
}

func (r *reader) of(t *token.Token) position {
	if t == nil || t.Position == nil {
		return r.position(1, 1)
	}
	return r.position(t.Position.Line, t.Position.Column)
}

// guard refuses input that the YAML parser handles badly, and returns the text with plain line ends.
func (r *reader) guard(source []byte) (string, *syntaxError) {
	if len(source) > maxBytes {
		return "", &syntaxError{r.position(1, 1), fmt.Sprintf("the file has more than %d bytes, which are not read", maxBytes)}
	}
	text := strings.TrimPrefix(string(source), "\ufeff") // some editors begin a file with a byte order mark
	text = strings.ReplaceAll(text, "\r\n", "\n")
	blank := 0
	var problem *syntaxError
	lines := strings.Split(text, "\n")
	for number, line := range lines {
		r.lines = append(r.lines, utf8.RuneCountInString(line))
		if problem != nil {
			continue // the lines are still counted
		}
		blank++
		switch rest := strings.TrimLeft(line, " \t"); {
		case rest == "": // YAML allows a tab here, and the parser does not
			lines[number] = ""
		case rest[0] == '#': // likewise; the columns stay
			lines[number] = strings.Repeat(" ", len(line)-len(rest)) + rest
			fallthrough
		default:
			blank = 0
		}
		if blank > maxBlankLines {
			problem = &syntaxError{r.position(number+1, 1), fmt.Sprintf("more than %d blank lines in a row", maxBlankLines)}
			continue
		}
		if column, message := badRune(lines[number]); message != "" {
			problem = &syntaxError{r.position(number+1, column), message}
		}
	}
	return strings.Join(lines, "\n"), problem
}

// badRune finds the first character of a line that a configuration cannot have.
func badRune(line string) (column int, message string) {
	indenting := true
	for i, c := range line {
		column++
		switch {
		case c == utf8.RuneError && !strings.HasPrefix(line[i:], "\ufffd"):
			return column, "the file is not UTF-8 text here"
		case c == '\t' && indenting:
			return column, "a tab indents this line: use spaces"
		case c == '\ufeff':
			return column, "a byte order mark (U+FEFF) in the middle of the file: delete it"
		case c == '\r':
			return column, "a carriage return without a line feed: save the file with Unix or Windows line ends"
		case c < ' ' && c != '\t', c >= 0x7f && c < 0xa0, c == '\u2028', c == '\u2029':
			return column, fmt.Sprintf("a control character (U+%04X): delete it", c)
		case c != ' ' && c != '\t':
			indenting = false
		}
	}
	return 0, ""
}

// parse runs the YAML parser over text that has passed the guard.
func (r *reader) parse(text string) (root ast.Node, problem *syntaxError) {
	defer func() { // a parser of text from outside must not end the monitor, whatever it meets
		if caught := recover(); caught != nil {
			root, problem = nil, &syntaxError{r.position(1, 1), fmt.Sprintf("not readable as YAML: the parser gave up (%v)", caught)}
		}
	}()
	tokens := lexer.Tokenize(text)
	if problem := r.checkTokens(tokens); problem != nil {
		return nil, problem
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey()) // convert reports duplicates with all other problems
	if err != nil {
		if known, ok := errors.AsType[yaml.Error](err); ok {
			return nil, &syntaxError{r.of(known.GetToken()), "not readable as YAML: " + known.GetMessage()}
		}
		return nil, &syntaxError{r.position(1, 1), "not readable as YAML: " + err.Error()}
	}
	for _, document := range file.Docs {
		switch {
		case document.Body == nil, document.Body.Type() == ast.DirectiveType:
		case root != nil:
			return nil, &syntaxError{r.of(document.Start), "a second document begins here: one file holds one document"}
		default:
			root = document.Body
		}
	}
	if root == nil {
		return nil, &syntaxError{r.position(1, 1), "the file is empty"}
	}
	return root, nil
}

// checkTokens refuses what would cost the parser, or a reader of the file, too much.
func (r *reader) checkTokens(tokens token.Tokens) *syntaxError {
	flow, dashes, line := 0, 0, 0
	for i, t := range tokens {
		if i == maxTokens {
			return &syntaxError{r.of(t), fmt.Sprintf("the file has more than %d words and signs", maxTokens)}
		}
		if t.Position != nil && t.Position.Line != line {
			line, dashes = t.Position.Line, 0
		}
		switch t.Type {
		case token.MappingStartType, token.SequenceStartType:
			flow++
		case token.MappingEndType, token.SequenceEndType:
			flow = max(flow-1, 0)
		case token.SequenceEntryType:
			dashes++
		case token.TagType:
			return &syntaxError{r.of(t), "a YAML tag (!…) has no use here: delete it"}
		case token.MappingKeyType:
			return &syntaxError{r.of(t), "a key marked with ? has no use here: write key: value"}
		}
		if flow > maxDepth || dashes > maxDepth {
			return &syntaxError{r.of(t), fmt.Sprintf("nested more than %d levels deep", maxDepth)}
		}
	}
	return nil
}

func (r *reader) fail(at position, format string, args ...any) *node {
	r.problems = append(r.problems, &syntaxError{at, fmt.Sprintf(format, args...)})
	return &node{at: at, size: 1}
}

// convert turns a node of the parser into one of ours.
func (r *reader) convert(from ast.Node, depth int) *node {
	if from == nil {
		return &node{at: r.position(1, 1), size: 1}
	}
	at := r.start(from)
	if depth > maxDepth {
		return r.fail(at, "nested more than %d levels deep", maxDepth)
	}
	switch from := from.(type) {
	case *ast.NullNode:
		return &node{at: at, size: 1}
	case *ast.LiteralNode:
		return &node{kind: scalar, at: at, text: from.Value.Value, size: 1}
	case *ast.StringNode:
		return &node{kind: scalar, at: at, text: from.Value, size: 1}
	case *ast.BoolNode, *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return &node{kind: scalar, at: at, text: from.GetToken().Value, size: 1}
	case *ast.AnchorNode:
		value := r.convert(from.Value, depth+1)
		r.anchors[nameOf(from.Name)] = value // only now: an anchor inside itself is unknown, so that no cycle can be
		return value
	case *ast.AliasNode:
		value, ok := r.anchors[nameOf(from.Value)]
		if !ok {
			return r.fail(at, "alias %s has no anchor before it", quoted("*"+nameOf(from.Value)))
		}
		return value
	case *ast.SequenceNode:
		made := &node{kind: list, at: at, size: 1}
		for _, item := range from.Values {
			value := r.convert(item, depth+1)
			made.items = append(made.items, value)
			if made.size += value.size; made.size > maxNodes {
				return r.fail(r.start(item), "the aliases of this file stand for more than %d values", maxNodes)
			}
		}
		return made
	case *ast.MappingNode:
		return r.convertMapping(at, from.Values, depth)
	case *ast.MappingValueNode:
		return r.convertMapping(at, []*ast.MappingValueNode{from}, depth)
	}
	return r.fail(at, "this kind of YAML (%s) has no use here", from.Type())
}

// start returns where a node begins. A block mapping has no sign of its own, only the colon of its first pair: it begins
// with its first key.
func (r *reader) start(n ast.Node) position {
	at := r.of(n.GetToken())
	var first *ast.MappingValueNode
	switch n := n.(type) {
	case *ast.MappingValueNode:
		first = n
	case *ast.MappingNode:
		if len(n.Values) > 0 {
			first = n.Values[0]
		}
	}
	if first == nil || first.Key == nil {
		return at
	}
	if key := r.of(first.Key.GetToken()); key.line < at.line || key.line == at.line && key.column < at.column {
		return key
	}
	return at
}

// convertMapping turns the pairs of a mapping into entries: each key once, merged keys after the mapping's own.
func (r *reader) convertMapping(at position, pairs []*ast.MappingValueNode, depth int) *node {
	made := &node{kind: mapping, at: at, size: 1}
	own := map[string]position{}
	var merges []*node
	for _, pair := range pairs {
		var key string
		keyAt := r.of(pair.Key.GetToken())
		switch k := pair.Key.(type) {
		case *ast.MergeKeyNode:
			key = "<<"
		case *ast.StringNode:
			key = k.Value
		case *ast.BoolNode, *ast.IntegerNode, *ast.FloatNode, *ast.NullNode, *ast.InfinityNode, *ast.NanNode:
			key = k.GetToken().Value
		default:
			r.fail(keyAt, "a key must be a plain word")
			continue
		}
		value := r.convert(pair.Value, depth+1)
		if made.size += value.size; made.size > maxNodes {
			return r.fail(keyAt, "the aliases of this file stand for more than %d values", maxNodes)
		}
		if before, twice := own[key]; twice {
			r.fail(keyAt, "key %s is given twice: it is first given in line %d", quoted(key), before.line)
			continue
		}
		own[key] = keyAt
		if key == "<<" {
			merges = append(merges, value)
			continue
		}
		made.entries = append(made.entries, entry{key: key, at: keyAt, value: value})
	}
	for _, merge := range merges {
		r.merge(made, merge)
	}
	return made
}

// merge adds the entries of from, or of each mapping in the list from, that made does not have yet.
func (r *reader) merge(made, from *node) {
	switch from.kind {
	case mapping:
		for _, e := range from.entries {
			if made.entry(e.key) == nil {
				made.entries = append(made.entries, entry{key: e.key, at: e.at, value: e.value, merged: true})
			}
		}
	case list:
		for _, item := range from.items {
			if item.kind != mapping {
				r.fail(item.at, "<< takes a mapping, and this is %s", item.kind)
				continue
			}
			r.merge(made, item)
		}
	default:
		r.fail(from.at, "<< takes a mapping, and this is %s", from.kind)
	}
}

// entry returns the entry of a key, or nil.
func (n *node) entry(key string) *entry {
	for i := range n.entries {
		if n.entries[i].key == key {
			return &n.entries[i]
		}
	}
	return nil
}

func nameOf(n ast.Node) string {
	if n == nil || n.GetToken() == nil {
		return ""
	}
	return n.GetToken().Value
}
