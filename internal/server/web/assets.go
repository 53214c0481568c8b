package web

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"path"
	"slices"
	"strconv"
	"strings"
)

// Manifest is what the build of the pages writes beside its files: which of them each page needs.
type Manifest struct {
	Styles []string            `json:"styles"`
	Pages  map[string][]string `json:"pages"`  // the page's script first, then what it imports and its own styles
	Notice string              `json:"notice"` // the licences of the packages that the files contain
}

// ManifestName is a file that exists once the pages are built.
const ManifestName = "manifest.json"

// assets are the built files.
type assets struct {
	manifest Manifest
	files    map[string]asset
}

type asset struct {
	mediaType string
	packed    []byte
}

// packedEnd is the end of the name of each file, which the build of the pages compresses: that is how nearly every browser takes it.
const packedEnd = ".gz"

var mediaTypes = map[string]string{
	".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml",
	".txt": "text/plain; charset=utf-8",
}

func loadAssets(built fs.FS) (*assets, error) {
	data, err := fs.ReadFile(built, ManifestName)
	if err != nil {
		return nil, err
	}
	a := &assets{files: map[string]asset{}}
	if err := json.Unmarshal(data, &a.manifest); err != nil {
		return nil, fmt.Errorf("%s: %w", ManifestName, err)
	}
	entries, err := fs.ReadDir(built, ".")
	if err != nil {
		return nil, err
	}
	for _, entry := range entries {
		name, packed := strings.CutSuffix(entry.Name(), packedEnd)
		mediaType, served := mediaTypes[path.Ext(name)]
		if !packed || !served {
			continue
		}
		data, err := fs.ReadFile(built, entry.Name())
		if err != nil {
			return nil, err
		}
		if _, err := unpack(data); err != nil {
			return nil, fmt.Errorf("%s: %w", entry.Name(), err)
		}
		a.files[name] = asset{mediaType, data}
	}
	for _, p := range slices.Concat(pages, further) {
		if len(a.manifest.Pages[p.Name]) == 0 {
			return nil, fmt.Errorf("%s names no script for the page %q", ManifestName, p.Name)
		}
		for _, name := range a.manifest.Pages[p.Name] {
			if _, ok := a.files[name]; !ok {
				return nil, fmt.Errorf("the page %q needs %s, which is not there: make pages", p.Name, name+packedEnd)
			}
		}
	}
	return a, nil
}

// serveAsset serves a built file. Its name changes with its contents, so it may be kept for good.
func (s *site) serveAsset(w http.ResponseWriter, r *http.Request) {
	if s.assets == nil {
		http.NotFound(w, r)
		return
	}
	file, ok := s.assets.files[r.PathValue("name")]
	if !ok {
		http.NotFound(w, r)
		return
	}
	h := w.Header()
	h.Set("Cache-Control", "public, max-age=31536000, immutable")
	if s.Access.Needed() {
		h.Set("Cache-Control", "private, max-age=31536000, immutable")
	}
	h.Set("Content-Type", file.mediaType)
	h.Add("Vary", "Accept-Encoding")
	data := file.packed
	if takesGzip(r) {
		h.Set("Content-Encoding", "gzip")
	} else {
		data, _ = unpack(data) // it could be unpacked when it was loaded
	}
	h.Set("Content-Length", strconv.Itoa(len(data)))
	if r.Method != http.MethodHead {
		_, _ = w.Write(data) // a caller who has gone is no news
	}
}

func unpack(packed []byte) ([]byte, error) {
	r, err := gzip.NewReader(bytes.NewReader(packed))
	if err != nil {
		return nil, err
	}
	return io.ReadAll(r)
}
