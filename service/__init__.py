"""The record of children's airway-clearance home programmes.

Rooms, from the inside out (arrows point inwards only):

``programme``  the trade: documents, techniques, checks, adherence. Pure.
``fhir``       the standard: JSON, structure, validation, search parameters. No trade.
``mapping``    documents of the trade <-> resources of the standard.
``store``      every version of every resource, and the index to find it by.
``record``     one way in, one way out, and the jobs in between.
``registry``   what a research registry may have.
``api``        HTTP.
"""
