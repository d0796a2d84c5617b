"""Why a reach, site or structure has its verdict, from kept results: figures, rules, nearest change."""
