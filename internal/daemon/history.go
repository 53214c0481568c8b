package daemon

import (
	"dewline/internal/server/web"
	"dewline/internal/store"
)

// historyOf returns the store as the pages see it; nil without a store.
func historyOf(db *store.Store) web.History {
	if db == nil {
		return nil
	}
	return db
}
