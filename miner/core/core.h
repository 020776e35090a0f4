/* What the core offers. Every function returns REFUSED where its arguments do not fit together, having written no
 * more than it was given room for. Texts are of LF line ends; places are bytes from the text's beginning. */

#ifndef MINER_CORE_H
#define MINER_CORE_H

#include <stdint.h>

#if defined(_WIN32)
#define EXPORTED __declspec(dllexport)
#else
#define EXPORTED __attribute__((visibility("default")))
#endif

enum { REFUSED = -1 };
enum { NO_RESULT, WHITE_WINS, BLACK_WINS, DRAW, UNFINISHED };
enum { CLOSED, OPEN_COMMENT, OPEN_VARIATION };
enum { MOST_PLIES = 256 }; /* fewer are kept of a game */

typedef struct {
    uint64_t last_key;
    uint8_t plies, is_illegal;
} Line;

/* Fills the tables. To be called before all else, by one thread; to call it again changes nothing. */
EXPORTED void core_init(void);

/* What is seen of `n` move texts without following the moves: the result that each ends in, what of it is never
 * closed, the CRC-32 of its letters, and whether there are none. `scratch` holds the longest text. Returns n. */
EXPORTED int64_t core_movetexts(const uint8_t *text, int64_t size, const int64_t *begins, const int64_t *ends,
                                int64_t n, uint8_t *scratch, int64_t scratch_size, uint8_t *results, uint8_t *asides,
                                uint32_t *hashes, uint8_t *is_empty);

/* The first `width` plies (1 to 255) of `n` move texts: how many are legal, whether the line breaks off at one that
 * is not, the key after them; and a row for each position on the way that its game meets for the first time, in
 * order, `room` of them at the most. Returns how many rows there are. */
EXPORTED int64_t core_decode(const uint8_t *text, int64_t size, const int64_t *begins, const int64_t *ends, int64_t n,
                             int32_t width, uint8_t *scratch, int64_t scratch_size, uint8_t *plies,
                             uint8_t *is_illegal, uint64_t *last_keys, uint32_t *visit_games, uint8_t *visit_plies,
                             uint64_t *visit_keys, uint16_t *visit_moves, int64_t room);

/* Where a text may be cut into regions that each begin where a game surely does: at each of `bounds` (rising) and at
 * tags behind a line of moves and a blank one. A plain region is one game: tags, moves, nothing else; its moves lie
 * from `moves` to `ends`. Returns how many regions there are; of those beyond `room` nothing is told. */
EXPORTED int64_t core_regions(const uint8_t *text, int64_t size, const int64_t *bounds, int64_t n_bounds,
                              int64_t *starts, int64_t *moves, int64_t *ends, uint8_t *are_plain, int64_t room);

/* How many line ends lie before each of `n` places, which may not fall. Returns n. */
EXPORTED int64_t core_count_lines(const uint8_t *text, int64_t size, const int64_t *places, int64_t n,
                                  int64_t *lines);

/* Where the values of the wanted tags stand, of `n` games whose tags lie from `starts` up to `moves`: for each name, n
 * begins and ends, 0 and 0 where there is none. Of a tag given twice the last counts. `wanted`: the names one after the
 * other, none empty, with their sizes. Returns n. */
EXPORTED int64_t core_tags(const uint8_t *text, int64_t size, const int64_t *starts, const int64_t *moves, int64_t n,
                           const uint8_t *wanted, const int32_t *wanted_sizes, int32_t n_wanted, int64_t *begins,
                           int64_t *ends);

/* Which of the `n` stretches of a text are equal: a number for each, from 0 in order of appearance, and the first row
 * of each number. `table`: at least 2 n places, a power of two. Returns how many distinct ones there are. */
EXPORTED int64_t core_codes(const uint8_t *text, int64_t size, const int64_t *begins, const int64_t *ends, int64_t n,
                            uint64_t seed, int32_t *table, int64_t table_size, int32_t *codes, int32_t *firsts);

typedef struct {
    uint64_t key;
    uint32_t game;
    uint16_t move;
    uint8_t ply;
} Row;

/* The rows of visits whose game (of `n`) is kept, with the games' numbers, in the order of the leading 32 bits of the
 * key, equal ones as they were. `scratch`: twice as many rows. Returns how many there are. */
EXPORTED int64_t core_order(const uint32_t *visit_games, const uint8_t *visit_plies, const uint64_t *visit_keys,
                            const uint16_t *visit_moves, int64_t rows, const uint8_t *is_kept,
                            const uint32_t *numbers, int64_t n, Row *scratch, uint32_t *games, uint8_t *plies,
                            uint64_t *keys, uint16_t *moves);

/* How many legal lines of `depth` (at least 1) plies begin in the position of a FEN. */
EXPORTED int64_t core_perft(const uint8_t *fen, int64_t size, int32_t depth);

#endif
