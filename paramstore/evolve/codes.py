"""Kinds of findings about releases: PS71x files, PS72x to PS74x what cannot be done, PS75x and
PS76x what changed."""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

CODES: dict[str, Code] = {
    # ---- Release files ----
    "PS711": Code(
        "a release file was edited",
        "A release says what lies where in units that are in the field; a change of the file "
        "changes no unit. The digest in the file is that of its content, so an edit shows. Bring "
        "the file back from version control, and put the change into the schema: it becomes part "
        "of the next release.",
    ),
    "PS712": Code(
        "a release file is missing",
        "Releases are numbered without gaps, and later ones stand on earlier ones: without the "
        "missing file nobody knows which bytes its units hold.",
    ),
    "PS713": Code(
        "a release does not follow the one before it",
        "Each release file names the digest of the one before. Files were exchanged, or one comes "
        "from another branch: two people have released at the same time. Keep the one that units "
        "were made with, and freeze the other change again on top of it.",
    ),
    "PS714": Code(
        "a file is not a release file",
        "The file is cut short, not JSON, or written by a version of paramstore that knows more; "
        "or a copy lies in the folder under another name.",
    ),
    "PS715": Code(
        "the room of a group is fixed by this release",
        "A released ring stays where it is, with records as long as they are. Later parameters of "
        "the group go into its room, for good; a larger one needs all rings laid out anew, and "
        "units converted on the host. The planner chooses it without a page more than the group "
        "needs today; `paramstore plan` shows what more would cost. A `room` in the schema says "
        "that it is meant, and the warning is gone.",
    ),
    "PS716": Code(
        "nothing changed since the last release",
        "A release is a number in the label of every unit that is made with it. Another number "
        "for the same content would tell units apart that are alike.",
    ),
    # ---- What cannot be done: names ----
    "PS717": Code(
        "releases of two branches",
        "Both histories have a release of this number, and each is another one: they were frozen "
        "apart from each other. Firmware of the one refuses units of the other, so nothing leads "
        "from one state to the other in place.",
    ),
    "PS720": Code(
        "a parameter is gone and the schema does not say so",
        "A parameter that disappears was either taken out or renamed, and a unit in the field "
        "needs to know which: name it in `retired` of its group, or give its new name a `was`. "
        "Its bytes are never used for anything else.",
    ),
    "PS721": Code(
        "a group is gone and the schema does not say so",
        "Name it in `retired_groups` of the store, or give its new name a `was`. The pages of a "
        "retired group stay taken, for units in the field hold records there.",
    ),
    "PS722": Code(
        "retired, but never released",
        "`retired` and `retired_groups` name what some release has had. A name that no release "
        "has is mostly misspelt.",
    ),
    "PS723": Code(
        "retired, and still there",
        "A name cannot be in `retired` and among the parameters at the same time. To bring a "
        "retired parameter back under its name take it out of `retired`: it is a new one then, "
        "with new bytes.",
    ),
    "PS724": Code(
        "`was` names nothing that was released",
        "`was` is the name in the release before: `NAME` of the same group, or `GROUP.NAME`. It "
        "may stay in the schema once it has served.",
    ),
    "PS725": Code(
        "two go on with the same",
        "One parameter of the release before can become one parameter only: both would be set "
        "from the same bytes and then go their own ways.",
    ),
    "PS726": Code(
        "a name is taken by another one of the release before",
        "The release before has a parameter of this very name, and units hold its value. If both "
        "names are to be exchanged, take a third name for one of them, release that, and go on.",
    ),
    # ---- What cannot be done: values ----
    "PS727": Code(
        "a unit changes and nothing says how",
        "`convert = { factor = F, offset = O }` says that the new physical value is the old one "
        "x F + O: `factor = 0.001` from mV to V, `divisor = 60` from s to min. The value gets new "
        "bytes, and units in the field convert it when they first run the new firmware. With "
        "`factor = 1` only the word for the unit changes.",
    ),
    "PS728": Code(
        "one kind of value cannot become another",
        "Numbers become numbers of another width, scale, unit or kind; members of enumerations "
        "and flags go by their names; texts and byte strings grow. Between other kinds there is no "
        "rule that would be right for every value: make a new parameter, and let the firmware "
        "that knows both meanings set it once.",
    ),
    "PS729": Code(
        "a parameter changes its shape",
        "A text or byte string that shrinks would cut values; a curve with another number of "
        "points has no values for some of them; a text that grew would end in the rest of a longer "
        "default. Make a new parameter.",
    ),
    "PS730": Code(
        "a number of a member means something else",
        "Units in the field hold numbers, not names. A member keeps its number for ever, and a "
        "number that was used is not given to another member. A new name for the same thing is "
        "said with `convert = { old = \"new\" }`. Members may be left out, and new ones take "
        "numbers that were never used.",
    ),
    "PS731": Code(
        "no room in the record",
        "Released records keep their length: it decides how many pages a commit writes, and where "
        "the slots begin. New parameters go into the room that was kept, retired bytes stay "
        "taken. When the room is used up, further parameters go into a new group, into which old "
        "ones can move as well.",
    ),
    "PS732": Code(
        "another geometry than that of the released units",
        "A layout belongs to a capacity, a page size and a way of addressing. Another part that "
        "has all of them alike is fine; for one that has not, units are laid out anew on the "
        "host, which begins a new series of releases (`series`).",
    ),
    "PS733": Code(
        "the name of a released store changed",
        "The CRC of the name is in the label and begins the CRC of every record: under another "
        "name no unit would be recognised.",
    ),
    "PS734": Code(
        "the id of a group changed, or is used again",
        "The id begins the CRC of every record of the group. Released groups keep theirs, wherever "
        "they stand in the file; new groups take one that no group ever had.",
    ),
    "PS735": Code(
        "the ring of a released group changed",
        "The slot of a record follows from its number and the number of slots. Units in the field "
        "would not find their newest record in a longer or shorter ring.",
    ),
    "PS736": Code(
        "a conversion is too large for the firmware",
        "Conversions of stored integers are exact: (old x N + K) / D with whole numbers of 64 "
        "bits. Here they would have to be larger, which comes from scales that have no common "
        "measure, or from a 64-bit value.",
    ),
    "PS737": Code(
        "`convert` has served",
        "The release before has the new unit or the new names already. Should the unit change "
        "once more, a `convert` that was left standing would be applied to that change.",
    ),
    "PS738": Code(
        "the revisions of a group are used up",
        "A record says its group's revision in one byte. Put what changes into a new group.",
    ),
    "PS739": Code(
        "two groups take parameters from each other",
        "Firmware makes a unit of an earlier release one of its own group by group, each with a "
        "commit that a power cut may end. A group is committed after all that take from it, so "
        "that nothing is lost in between; two that take from each other have no such order. It may "
        "be that one direction is of an earlier release: units of before go through both at once.",
    ),
    "PS740": Code(
        "a series that does not follow",
        "`series` in [store] counts how often released units were laid out anew. It stays as it "
        "was in the last release, or grows by one: then rings, slots and part are chosen as for a "
        "new store, names still go on with `was`, `convert` and `retired`, and an image of an "
        "earlier release becomes one of the new series on the host only, with `paramstore migrate "
        "--relayout`. Firmware of one series refuses units of another one.",
    ),
    # ---- What changed ----
    "PS750": Code(
        "a new parameter",
        "It takes room that was kept. Units in the field read its default until they commit its "
        "group; older firmware keeps its bytes as they are.",
    ),
    "PS751": Code(
        "a new group",
        "It lies on pages that were free. Older firmware does not look at them.",
    ),
    "PS752": Code(
        "a renamed parameter",
        "`was` says what it was called. No byte moves.",
    ),
    "PS753": Code(
        "a renamed group",
        "`was` says what it was called. Its ring and its id stay.",
    ),
    "PS754": Code(
        "a retired parameter",
        "Its bytes stay taken, and a commit keeps what they hold, so that older firmware still "
        "reads it after a downgrade. In a new series nothing stays: its values are lost.",
    ),
    "PS755": Code(
        "a retired group",
        "Its pages stay taken. Older firmware finds its records there after a downgrade; newer "
        "firmware takes from them what has moved to other groups.",
    ),
    "PS756": Code(
        "another default",
        "What a unit has stored stays. The new default counts where nothing is stored, and where "
        "a stored value is outside its limits.",
    ),
    "PS757": Code(
        "wider limits",
        "Every stored value stays valid. Older firmware takes its default, and flags the group, "
        "where it meets a value beyond its own limits.",
    ),
    "PS758": Code(
        "narrower limits",
        "A unit that holds a value outside, once it is converted, gets the default for that "
        "parameter, and flags the group. The value on the part stays until the group is committed, "
        "which `ps_format` does where anything of the group is converted.",
    ),
    "PS759": Code(
        "a new member",
        "Stored values stay. Older firmware does not know the member: it takes its default.",
    ),
    "PS760": Code(
        "a member is gone",
        "A unit that holds it gets the default for that parameter. Its number is not given away.",
    ),
    "PS761": Code(
        "other words",
        "Documentation, the number of decimals shown, the word for a unit: no byte changes.",
    ),
    "PS762": Code(
        "a value is stored in another way",
        "It gets new bytes behind the old ones. Firmware converts the old value at mount until "
        "the group is committed; the old bytes stay as they were, for a downgrade. A number that "
        "lies between the steps of the new type is rounded, half to even, and one that "
        "does not fit or is outside the new limits gives the default, and a flag.",
    ),
    "PS763": Code(
        "a parameter moves to another group",
        "Firmware takes the value from the old group at mount until the new one is committed. "
        "So groups are split and joined.",
    ),
    "PS764": Code(
        "more elements",
        "The parameter gets new bytes; old elements are taken over, the others get the default.",
    ),
    "PS765": Code(
        "fewer elements",
        "The parameter gets new bytes; the elements that are left are taken over.",
    ),
    "PS766": Code(
        "a member has a new name",
        "`convert` says what it was called. Its number stays, unless the schema gives another one.",
    ),
    "PS767": Code(
        "another rule between parameters",
        "Where stored values break a rule, a new one or an old one after they were rounded or "
        "converted, the two parameters of the rule get their defaults at mount, and the group is "
        "flagged. What a default then takes with it by another rule is told as PS770.",
    ),
    "PS768": Code(
        "another use",
        "How a group is protected, kept in copies and written, the part (of the same geometry), "
        "its address, bus and supply: no byte moves. Rings keep their slots, so more writes wear "
        "them faster: \"wears out early\" if one does not last the life wanted.",
    ),
    "PS769": Code(
        "a new series",
        "Rings, slots or the part are others than those of the released units, so no firmware can "
        "go on with these as they are: it refuses them. `paramstore migrate --relayout` makes an "
        "image of the new series from one of before, with the values of the unit.",
    ),
    "PS770": Code(
        "a default that takes a stored value with it",
        "Where a parameter is new, has another default or narrower limits, units have its default "
        "beside what they hold of others. If a rule (`below`) is broken then, firmware gives both "
        "sides their defaults, and the stored value is gone with the next commit. The text says "
        "which values; none is lost where the default keeps the rule with all that units may hold: "
        "choose another default, or limits that keep the two apart.",
    ),
}
"""Kinds of findings of this package."""
