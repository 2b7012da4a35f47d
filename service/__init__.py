"""The record of children's airway-clearance home programmes.

Rooms, from the inside out (arrows point inwards only):

``programme``  the trade: what is prescribed, what was done, what is due. Pure.
``fhir``       the standard: JSON, structure, validation, search parameters. No trade.
``mapping``    documents of the trade <-> resources of the standard.
``store``      resources, versions, search index, transactions.
``record``     the jobs that keep the record: one way in, one way out.
``registry``   what a research registry may have.
``api``        HTTP.
"""
